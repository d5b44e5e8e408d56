#!/bin/sh
# make soak: the long tests, on both databases; PostgreSQL keeps its promises to the disk here.
set -u
cd "$(dirname "$0")/.."
export PYTHONDONTWRITEBYTECODE=1 DURABLE=1 OPENBLAS_NUM_THREADS=1
unset DATABASE_URL HTTPS SECRET_KEY DEBUG DEMO ALLOWED_HOSTS PUBLIC_URL TIME_ZONE PYTEST_ADDOPTS

failed=0
for url in "" postgres://postgres@/holdfast; do
    echo "== long tests, ${url:-SQLite}"
    if [ -n "$url" ]; then export DATABASE_URL="$url"; fi
    .venv/bin/python -m pytest -q -m soak "$@" tests || failed=1
done
exit $failed
