"""Settings. One module; the environment decides.

With nothing set this is the embedded edition: SQLite under ``var/``, tasks in the web process, debug off, bound to
this machine. ``DATABASE_URL``, ``CELERY_BROKER_URL`` and ``TRIBUTARY_PRODUCTION=1`` make it the production service.
"""

from __future__ import annotations

import secrets
import warnings
from pathlib import Path
from urllib.parse import urlsplit

from cryptography.fernet import Fernet
from django.core.management.utils import get_random_secret_key
from kombu import Queue

from config import environment as env
from config.watching.logs import configuration

BASE_DIR = Path(__file__).resolve().parent.parent
VAR_DIR = Path(env.text("TRIBUTARY_VAR", str(BASE_DIR / "var")))

PRODUCTION = env.flag("TRIBUTARY_PRODUCTION", default=False)
DEBUG = env.flag("TRIBUTARY_DEBUG", default=False)

SECRET_KEY = env.secret(
    "TRIBUTARY_SECRET_KEY", VAR_DIR / "secret_key", may_create=not PRODUCTION, make=get_random_secret_key
)
# Comma-separated Fernet keys; the first encrypts, all decrypt (rotation). Outside the database by design.
IDENTITY_KEYS = env.secret(
    "TRIBUTARY_IDENTITY_KEYS",
    VAR_DIR / "identity_keys",
    may_create=not PRODUCTION,
    make=lambda: Fernet.generate_key().decode(),
).split(",")
# Pseudonyms and date shifts of exported cohorts; kept apart from the exports, since it would undo them.
EXPORT_KEY = env.secret(
    "TRIBUTARY_EXPORT_KEY", VAR_DIR / "export_key", may_create=not PRODUCTION, make=lambda: secrets.token_hex(32)
)

ALLOWED_HOSTS = env.words("TRIBUTARY_HOSTS", "localhost,127.0.0.1,[::1],testserver")
CSRF_TRUSTED_ORIGINS = env.words("TRIBUTARY_ORIGINS")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.forms",  # its templates of controls; our renderer finds them through the site's own engine
    "django_htmx",
    "csp",
    "rest_framework",
    "drf_spectacular",
    "registry",
    "procedures",
    "analytics",
    "fixtures",
    # After our rooms, so that our templates stand before the library's.
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "allauth.socialaccount",
    "allauth.socialaccount.providers.openid_connect",
]

MIDDLEWARE = [
    "config.watching.requests.watched",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "registry.login.middleware.SessionKeeper",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "config.uploads.RefusedUploads",
    "config.middleware.private_pages",
    "config.middleware.readable_addresses",
    "config.middleware.recorded_looks",
    "registry.views.errors.ServiceErrorPages",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
FORM_RENDERER = "config.rendering.Renderer"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "config" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "config.context.navigation",
            ],
        },
    },
]

DATABASE_URL = env.text("DATABASE_URL", "") or f"sqlite:///{VAR_DIR / 'tributary.sqlite3'}"
# How long a thread keeps its connection, and after what time the database stops a statement or a wait for a lock.
DATABASES = {"default": env.database(DATABASE_URL)}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    VAR_DIR.mkdir(parents=True, exist_ok=True)
    # IMMEDIATE makes a writing transaction take the lock at its start, which is what select_for_update does elsewhere.
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
    }
else:
    _limits = {
        "statement_timeout": env.number("TRIBUTARY_STATEMENT_TIMEOUT_S", 0),
        "lock_timeout": env.number("TRIBUTARY_LOCK_TIMEOUT_S", 0),
    }
    # Into what the address itself may say, such as sslmode.
    DATABASES["default"].setdefault("OPTIONS", {})
    if any(_limits.values()):
        DATABASES["default"]["OPTIONS"]["options"] = " ".join(f"-c {name}={value}s" for name, value in _limits.items())
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "registry.User"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
# Argon2id first; the others only so that an older password still opens, and is hashed again when it does.
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
PASSWORD_RESET_TIMEOUT = 3 * 24 * 3600  # how long a one-time link opens
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "login"
SESSION_COOKIE_AGE = 12 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"

# Log-in, second factors and the list of sessions are django-allauth's.
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
# How many proxies in front say whom they speak for (X-Forwarded-For): in production the one that ends TLS.
TRUSTED_PROXIES = env.number("TRIBUTARY_TRUSTED_PROXIES", 1 if PRODUCTION else 0)
ACCOUNT_ADAPTER = "registry.login.adapters.AccountAdapter"
ACCOUNT_FORMS = {
    "login": "registry.login.forms.LogInForm",
    "reauthenticate": "registry.login.forms.ConfirmForm",
    "change_password": "registry.login.forms.NewPasswordForm",
    "set_password": "registry.login.forms.OwnFirstPasswordForm",
}
ACCOUNT_LOGIN_METHODS = {"username"}
ACCOUNT_SIGNUP_FIELDS = ["username*", "password1*"]
ACCOUNT_EMAIL_VERIFICATION = "none"
# How often somebody may try (registry/login/limits.py says whose attempts are counted together).
ACCOUNT_RATE_LIMITS = {
    "login": None,
    "reauthenticate": None,
    "login_failed": "5/5m/key",  # codes at log-in, after the right password: by account
    "log_in": "5/5m/key",
    "log_in_from": "30/m/key",
    "log_in_anywhere": "50/15m/key",
    "unlock": "5/5m/key",
    "sign": "5/5m/key",
    "confirm": "5/5m/key",
    "erase": "5/5m/key",
}
MFA_RATE_LIMITS = {"webauthn_login": "300/m/ip"}  # a passkey cannot be guessed, and a hospital has one address
ACCOUNT_SESSION_REMEMBER = True  # SESSION_COOKIE_AGE counts; nobody is asked
ACCOUNT_LOGOUT_ON_PASSWORD_CHANGE = False  # this session stays, all others end with the old password
ACCOUNT_REAUTHENTICATION_TIMEOUT = 300
MFA_ADAPTER = "registry.login.adapters.SecondFactorAdapter"
MFA_FORMS = {
    "authenticate": "registry.login.forms.CodeForm",
    "reauthenticate": "registry.login.forms.ConfirmCodeForm",
    "activate_totp": "registry.login.forms.FirstCodeForm",
    "add_webauthn": "registry.login.forms.NewPasskeyForm",
}
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = not PRODUCTION  # on this machine browsers allow passkeys without TLS
MFA_TOTP_ISSUER = "Tributary"
MFA_TOTP_TOLERANCE = 1  # a phone's clock may be half a minute off

# The hospital's own log-in (OpenID Connect), where there is one: its address, what it knows this service by, and
# whether its user names are those of this service.
OIDC_URL, OIDC_ID = env.text("TRIBUTARY_OIDC_URL", ""), "hospital"
OIDC_NAME = env.text("TRIBUTARY_OIDC_NAME", "the hospital")
OIDC_USERNAME_CLAIM = env.text("TRIBUTARY_OIDC_USERNAME_CLAIM", "")
SOCIALACCOUNT_ADAPTER = "registry.login.single_sign_on.SocialAdapter"
SOCIALACCOUNT_AUTO_SIGNUP = False
SOCIALACCOUNT_EMAIL_AUTHENTICATION = False
SOCIALACCOUNT_STORE_TOKENS = False
SOCIALACCOUNT_LOGIN_ON_GET = True  # our own view in front of it takes posts only
SOCIALACCOUNT_PROVIDERS = {
    "openid_connect": {
        "OAUTH_PKCE_ENABLED": True,
        "APPS": [
            {
                "provider_id": OIDC_ID,
                "name": OIDC_NAME,
                "client_id": env.text("TRIBUTARY_OIDC_CLIENT", "tributary"),
                "secret": env.secret("TRIBUTARY_OIDC_SECRET", VAR_DIR / "oidc_secret", may_create=False, needed=False),
                "settings": {"server_url": OIDC_URL},
            }
        ]
        if OIDC_URL
        else [],
    }
}

LANGUAGE_CODE = "en-gb"
TIME_ZONE = env.text("TRIBUTARY_TIME_ZONE", "UTC")
USE_TZ = True
USE_I18N = True

STATIC_URL = "/static/"
STATIC_ROOT = BASE_DIR / "staticfiles"
# The browsable API of the framework is not served, so neither are its scripts and styles.
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "config.static_files.UsedAppsFinder",
]
STATICFILES_DIRS = [BASE_DIR / "config" / "static"]
# The embedded edition serves straight from the source folders; production serves what collectstatic hashed.
WHITENOISE_USE_FINDERS = not PRODUCTION
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": (
            "whitenoise.storage.CompressedManifestStaticFilesStorage"
            if PRODUCTION
            else "django.contrib.staticfiles.storage.StaticFilesStorage"
        )
    },
}
MEDIA_ROOT = Path(env.text("TRIBUTARY_RECORDINGS", str(VAR_DIR / "recordings")))
RECORDING_MAX_BYTES = 1024**3
# Decoded signals: a folder, or the URL of one in an object storage; empty: a folder beside the original files.
SIGNALS_ROOT = env.text("TRIBUTARY_SIGNALS", "")
# The list of erasures, to be applied again after a restore; keep it apart from the backups of the database.
ERASURES_FILE = Path(env.text("TRIBUTARY_ERASURES", str(VAR_DIR / "erasures.jsonl")))
FILE_UPLOAD_HANDLERS = ["config.uploads.DiskUploadHandler"]
# Room that a file must leave free for everybody else.
STORE_RESERVE_BYTES = 512 * 1024**2

# Public keys (age) that backups are sealed to; who opens them has the private one, which is not on this machine.
BACKUP_RECIPIENTS = env.words("TRIBUTARY_BACKUP_RECIPIENTS")

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["rest_framework.authentication.SessionAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_PAGINATION_CLASS": "config.api.KeyCursorPagination",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "EXCEPTION_HANDLER": "config.api.one_envelope",
    "COERCE_DECIMAL_TO_STRING": False,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Tributary",
    "DESCRIPTION": (
        "Sessions, tested sites and their measurements. Supports and does not replace the judgement of the licensed "
        "team; not a certified medical device."
    ),
    "VERSION": "1",
    "COMPONENT_SPLIT_REQUEST": True,
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "ENUM_NAME_OVERRIDES": {
        "AssessmentKindEnum": "registry.models.AssessmentKind",
        "EventKindEnum": "registry.models.EventKind",
        "EntryKindEnum": "procedures.models.EntryKind",
        "ObstacleEnum": "procedures.models.Obstacle",
    },
}

# Attempts to log in are counted in the database: people log in and unlock while the queue is down. The clock clears
# what has expired (registry/tasks.py); without it the cache itself keeps the table below this number of rows.
CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.db.DatabaseCache",
        "LOCATION": "registry_attempt",
        "OPTIONS": {"MAX_ENTRIES": 20000},
    }
}

# Background runs (registry/jobs): workers on a queue, or where there is none threads of the web process.
CELERY_BROKER_URL = env.text("CELERY_BROKER_URL", "memory://localhost")
JOBS_BY = "threads" if CELERY_BROKER_URL == "memory://localhost" else "queue"
JOB_QUEUES = ("comparisons", "analyses", "imports")
CLOCK_QUEUE = "clock"
SWEEP_EVERY_S = 5
# Workers and the clock give a sign of life so often; one that was silent for so long stands still. Together with
# the time between two looks, a standstill is seen within two minutes.
SIGN_EVERY_S = 20
STILL_AFTER_S = 75
# A worker that is told no queues serves all of them.
CELERY_TASK_QUEUES = [Queue(name) for name in (*JOB_QUEUES, CLOCK_QUEUE)]
CELERY_TASK_DEFAULT_QUEUE = CLOCK_QUEUE
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_IGNORE_RESULT = True
# A message is acknowledged when its run has ended, and a process holds no more than it works on: so one that is busy
# keeps nothing from one that is free. A message of a lost worker is not given out at once, since its run is still
# leased; the sweep sends the run when the lease has run out.
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = False
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_CONCURRENCY = env.number("TRIBUTARY_WORKER_PROCESSES", 2)
CELERY_TASK_SOFT_TIME_LIMIT = 1500
CELERY_TASK_TIME_LIMIT = 1600
# Redis hands a message out again after this time. It exceeds the time limit, so that no worker is asked for a run that
# another one is at; it would be refused. It must stand in all three places.
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600}
CELERY_RESULT_BACKEND_TRANSPORT_OPTIONS = {"visibility_timeout": 3600}
CELERY_VISIBILITY_TIMEOUT = 3600
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 30
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BEAT_SCHEDULE = {
    "sweep-jobs": {
        "task": "registry.tasks.sweep_jobs",
        "schedule": float(SWEEP_EVERY_S),
        # After an outage only the latest is of use.
        "options": {"queue": CLOCK_QUEUE, "expires": SWEEP_EVERY_S},
    },
    "ask-for-signs": {
        "task": "registry.tasks.ask_for_signs",
        "schedule": float(SIGN_EVERY_S),
        "options": {"queue": CLOCK_QUEUE, "expires": SIGN_EVERY_S},
    },
    "clear-expired": {
        "task": "registry.tasks.clear_expired",
        "schedule": 3600.0,
        "options": {"queue": CLOCK_QUEUE, "expires": 3600},
    },
    "clear-uploads": {
        "task": "procedures.tasks.clear_uploads",
        "schedule": 3600.0,
        "options": {"queue": CLOCK_QUEUE, "expires": 3600},
    },
    "clear-spare-files": {
        "task": "procedures.tasks.clear_spare_files",
        "schedule": 24 * 3600.0,
        "options": {"queue": CLOCK_QUEUE, "expires": 12 * 3600},
    },
}

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:", "blob:"],
        "font-src": ["'self'"],
        "connect-src": ["'self'"],
        "manifest-src": ["'self'"],
        "worker-src": ["'self'"],
        # A form that goes to the provider by way of us is held to this too.
        "form-action": [
            "'self'",
            *([f"{urlsplit(OIDC_URL).scheme}://{urlsplit(OIDC_URL).netloc}"] if OIDC_URL else []),
        ],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
if PRODUCTION:
    SECURE_SSL_REDIRECT = env.flag("TRIBUTARY_SSL_REDIRECT", default=True)
    SECURE_REDIRECT_EXEMPT = ["^healthz$", "^readyz$", "^metrics$"]  # asked for on this machine, past the proxy
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_HSTS_SECONDS = 31536000
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME = "__Host-sessionid"
    CSRF_COOKIE_NAME = "__Host-csrftoken"

# The log, and who may see the metrics: a token, or addresses and networks.
LOG_JSON = env.flag("TRIBUTARY_LOG_JSON", default=PRODUCTION)
LOGGING = configuration(env.text("TRIBUTARY_LOG_LEVEL", "WARNING"), as_json=LOG_JSON)
# Libraries that read files quote what stands in them when they warn.
warnings.filterwarnings("ignore", module=r"(edfio|openpyxl|pydicom|wfdb)(\.|$)")
WATCH_TOKEN = env.secret("TRIBUTARY_WATCH_TOKEN", VAR_DIR / "watch_token", may_create=False, needed=False)
WATCH_FROM = env.networks("TRIBUTARY_WATCH_FROM", "" if PRODUCTION else "127.0.0.1,::1")
