"""Settings of the tests: HTTPS off, plain static files, a fast password hash, one place for photos."""

import os
import tempfile

os.environ.setdefault("SECRET_KEY", "for tests only, never used to sign anything that lasts")
os.environ.setdefault("HTTPS", "off")
os.environ.setdefault("MEDIA_ROOT", tempfile.mkdtemp(prefix="holdfast-media-"))

from facility.settings import *  # noqa: F403
from facility.settings import DATABASES, STORAGES

STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # a file, not memory: WAL and several connections are part of what is tested
    folder = tempfile.mkdtemp(prefix="holdfast-test-")
    DATABASES["default"]["TEST"] = {"NAME": os.path.join(folder, "test_holdfast.sqlite3")}
