"""The tests' settings with static files as production serves them: collected, hashed, compressed."""

from tests.settings import *  # noqa: F403
from tests.settings import STORAGES

STORAGES = STORAGES | {"staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"}}
WHITENOISE_USE_FINDERS = False
WHITENOISE_AUTOREFRESH = False
DATABASES["default"]["NAME"] = DATABASES["default"]["TEST"]["NAME"]  # noqa: F405 - the run's own file
