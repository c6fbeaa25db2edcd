"""The service's settings, with files in a throw-away folder and nothing taken from the shell but DATABASE_URL."""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

# The workers of a parallel run inherit the folder of the process that started them.
if "TRIBUTARY_TEST_RUN" not in os.environ:
    os.environ["TRIBUTARY_TEST_RUN"] = tempfile.mkdtemp(prefix="tributary-test-")
    atexit.register(shutil.rmtree, os.environ["TRIBUTARY_TEST_RUN"], ignore_errors=True)
_RUN = Path(os.environ["TRIBUTARY_TEST_RUN"])

for _name in [name for name in os.environ if name.startswith("TRIBUTARY_") and "_TEST_" not in name]:
    del os.environ[_name]
os.environ.pop("CELERY_BROKER_URL", None)
if not os.environ.get("DATABASE_URL"):
    os.environ.pop("DATABASE_URL", None)
os.environ["TRIBUTARY_VAR"] = str(_RUN)
os.environ["TRIBUTARY_SECRET_KEY"] = "used by tests only, never by a service"
os.environ["TRIBUTARY_EXPORT_KEY"] = "used by tests only"
os.environ["TRIBUTARY_IDENTITY_KEYS"] = "dHJpYnV0YXJ5LXRlc3RzLW9ubHkta2V5LTAwMDAwMDA="

from config.settings import *  # noqa: E402, F403
from config.settings import DATABASES  # noqa: E402

# A file, not memory: a live server, a browser and a worker process look at it together. The name is the run's own, so
# that two runs can share one PostgreSQL.
_sqlite = DATABASES["default"]["ENGINE"].endswith("sqlite3")
_name = "test_" + _RUN.name.replace("-", "_")
DATABASES["default"]["TEST"] = {"NAME": str(_RUN / f"{_name}.sqlite3") if _sqlite else _name}
DATABASES["default"]["CONN_MAX_AGE"] = 0

# A run is carried out where it is sent, once the transaction is committed.
JOBS_BY = "here"

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STATIC_ROOT = _RUN / "static"
STATIC_ROOT.mkdir(exist_ok=True)
# Look a static file up when it is asked for, rather than listing all of them in every test that makes a handler.
WHITENOISE_AUTOREFRESH = True
