#!/usr/bin/env bash
# Install what is missing of: python postgresql redis chromium node npm debootstrap.
# As root on Debian it installs; otherwise it says what to.
set -euo pipefail

have_postgresql() { compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null || command -v initdb >/dev/null; }

packages=()
for need in "$@"; do
  case "$need" in
    python)     "${PYTHON:-python3}" -c 'import ensurepip' 2>/dev/null || packages+=(python3 python3-venv) ;;
    postgresql) [ "${TRIBUTARY_TEST_POSTGRES:-own}" != own ] || have_postgresql || packages+=(postgresql) ;;
    redis)      command -v redis-server >/dev/null || packages+=(redis-server) ;;
    # Node alone is 8 packages; npm brings 350 more, so only what checks the scripts asks for it.
    node)       command -v node >/dev/null || packages+=(nodejs) ;;
    npm)        command -v npm >/dev/null || packages+=(npm) ;;
    chromium)   command -v chromium >/dev/null || packages+=(chromium) ;;
    debootstrap) command -v debootstrap >/dev/null || packages+=(debootstrap) ;;
  esac
done
[ "${#packages[@]}" -eq 0 ] && exit 0

# What apt says to programs, at most every few seconds: "12 %: Retrieving file 3 of 40".
told() {
  local kind percent text last=$SECONDS
  while IFS=: read -r kind _ percent text; do
    ((SECONDS - last >= 3)) || continue
    last=$SECONDS
    if [ "$kind" = dlstatus ]; then text="downloading, $text"; fi
    echo "  ${percent%.*} %: $text" >&2
  done
}

if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
  export DEBIAN_FRONTEND=noninteractive
  echo "Installing ${packages[*]}: reading the lists of packages" >&2
  apt-get update -qq
  apt-get install -y -qq --no-install-recommends -o APT::Status-Fd=3 "${packages[@]}" 3> >(told) >/dev/null
else
  echo "Please install first: ${packages[*]} (on Debian: sudo apt-get install ${packages[*]})." >&2
  exit 2
fi
