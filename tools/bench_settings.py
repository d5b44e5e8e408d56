"""Settings of the benchmark: the house's own, with two addresses more to measure against."""

from facility.settings import *  # noqa: F403

ROOT_URLCONF = "tools.bench_urls"
STORAGES = {
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
