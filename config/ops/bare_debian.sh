#!/usr/bin/env bash
# Try the project where nothing is installed: make a minimal Debian, clone the project's last commit into it, and run
# there 'make demo', the set-up of 'make test' with a few tests, and the steps of the Dockerfile. Run it before a release.
#
#   sudo bash config/ops/bare_debian.sh [FOLDER]
#
# FOLDER (about 6 GB) is kept and used again; without one a temporary folder is made and removed. Where packages come
# from is read off this machine at run time: its apt sources and settings, its pip files and variables. SUITE names
# another release than bookworm, STEPS some of: demo test docker.
set -euo pipefail
cd "$(dirname "$0")/../.."
suite=${SUITE:-bookworm} steps=${STEPS:-demo test docker}

if [ "${1:-}" != --inside ]; then # first: a space of mounts and processes of our own, so that nothing is left behind
  [ "$(id -u)" -eq 0 ] || { echo "Making a root needs root: sudo bash $0" >&2; exit 2; }
  bash config/ops/provision.sh debootstrap
  if [ $# -gt 0 ]; then
    mkdir -p "$1" && work=$(realpath "$1")
  else
    work=$(mktemp -d /var/tmp/tributary-bare.XXXXXX)
    trap 'rm -rf --one-file-system "$work"' EXIT
  fi
  unshare --mount --pid --fork --kill-child --mount-proc bash "$0" --inside "$work"
  exit
fi
work=$2 base=$2/base root=$2/root

say() { echo "[$(date +%T), ${SECONDS} s] $*" >&2; }

# The repositories of Debian that this machine's own sources name, as "URI CODENAME COMPONENT".
repositories() {
  apt-get indextargets --format '$(ORIGIN) $(REPO_URI) $(CODENAME) $(COMPONENT)' 'Created-By: Packages' |
    sed -n "s/^Debian //p" | awk -v suite="$suite" '$2 == suite || index($2, suite "-") == 1' | sort -u
}

make_base() {
  local mirror bundle
  mirror=$(repositories | awk -v suite="$suite" '$2 == suite { print $1; exit }')
  [ -n "$mirror" ] || { echo "No apt source of this machine has $suite: run 'apt-get update', or set SUITE." >&2; exit 2; }
  eval "$(apt-config shell http_proxy Acquire::http::Proxy https_proxy Acquire::https::Proxy)"
  export http_proxy="${http_proxy:-}" https_proxy="${https_proxy:-}"
  debootstrap --variant=minbase "$suite" "$base.new" "$mirror" >"$work/debootstrap.log" ||
    { tail -n 20 "$work/debootstrap.log" >&2; exit 1; }
  repositories | sed 's/^/deb /' >"$base.new/etc/apt/sources.list"
  apt-config dump | grep -E '^Acquire::([a-z]+::(Proxy|Ca|Verify)|Check-)' >"$base.new/etc/apt/apt.conf.d/99machine" || true
  cp -L /etc/resolv.conf /etc/hosts "$base.new/etc/"
  for kept in /etc/pip.conf /etc/xdg/pip ~/.pip ~/.config/pip /etc/uv ~/.config/uv /etc/npmrc ~/.npmrc; do
    if [ -e "$kept" ]; then mkdir -p "$base.new$(dirname "$kept")" && cp -rL "$kept" "$base.new$kept"; fi
  done
  bundle=${PIP_CERT:-${SSL_CERT_FILE:-}}
  if [ -f "$bundle" ]; then cp -L "$bundle" "$base.new/etc/machine-certificates.pem"; fi
  mv "$base.new" "$base"
}

# What a command in a root sees: no language set, this machine's way to the registries, nothing else.
settings=(HOME=/root TERM=dumb PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin DEBIAN_FRONTEND=noninteractive)
while IFS= read -r name; do
  case "$name" in
    PIP_CERT | SSL_CERT_*) ;;
    PIP_* | UV_* | npm_config_* | NPM_CONFIG_* | *_proxy | *_PROXY) settings+=("$name=${!name}") ;;
  esac
done < <(compgen -e)

inside() { # ROOT WORD...
  local where=$1
  shift
  chroot "$where" /usr/bin/env -i "${settings[@]}" /bin/sh -c 'cd "$0" && exec "$@"' "${folder:-/}" "$@"
}

mounted() {
  mount -t proc proc "$1/proc"
  mount --rbind /dev "$1/dev"
}

[ -d "$base" ] || { say "A minimal Debian ($suite)"; make_base; }
if [ -f "$base/etc/machine-certificates.pem" ]; then
  for name in PIP_CERT SSL_CERT_FILE NODE_EXTRA_CA_CERTS GIT_SSL_CAINFO; do
    settings+=("$name=/etc/machine-certificates.pem")
  done
fi

say "Clone of $(git rev-parse --short HEAD)"
rm -rf --one-file-system "$work"/root "$work"/docker
cp -a --one-file-system "$base" "$root"
mounted "$root"
git bundle create --quiet "$root/project.bundle" HEAD
# What README.md says to install first, and nothing else.
read -ra first < <(sed -n 's/^    .*apt-get install \(.*\)$/\1/p' README.md)
[ "${#first[@]}" -gt 0 ] || { echo "README.md no longer says what to install first." >&2; exit 1; }
inside "$root" sh -c 'apt-get update -qq && apt-get install -y -qq --no-install-recommends "$@" >/dev/null' sh "${first[@]}"
inside "$root" git -c advice.detachedHead=false clone --quiet /project.bundle /srv/tributary
folder=/srv/tributary

case " $steps " in *" demo "*)
  say "make demo"
  settings+=(SERVE=0)
  inside "$root" make demo
esac

case " $steps " in *" test "*)
  say "make test: set-up, and a few tests on each database"
  # A test of the database's rules, one of a worker with its queue, one in the browser.
  settings+=(TRIBUTARY_TEST_POSTGRES=own)
  inside "$root" make test ARGS="tests/registry/test_constraints.py tests/ops/test_worker.py tests/browser/test_numbers.py"
  say "make test: every test can be collected"
  inside "$root" .venv/bin/pytest --collect-only -q | tail -n 1
esac

case " $steps " in *" docker "*)
  say "The steps of the Dockerfile"
  mkdir -p "$work/docker"
  # The image that it names has a Python as 'python'; Debian's is of the same version.
  image=$work/docker/image
  cp -a --one-file-system "$base" "$image"
  inside_image() { folder=/ inside "$image" "$@"; }
  inside_image sh -c 'apt-get update -qq && apt-get install -y -qq --no-install-recommends python3-venv python-is-python3 >/dev/null'
  env "${settings[@]}" python3 config/ops/dockerfile_steps.py "$root/srv/tributary" "$image" "$work/docker"
esac
say "Done"
