#!/bin/sh
# make check: format, lint, import contracts, migrations, deploy check, dependency audit.
set -eu
cd "$(dirname "$0")/.."
PY=.venv/bin/python
export PYTHONDONTWRITEBYTECODE=1 DATABASE_URL=sqlite://:memory:
unset DEBUG DEMO ALLOWED_HOSTS CSRF_TRUSTED_ORIGINS PUBLIC_URL TIME_ZONE || true
SECRET_KEY=$($PY -c "import secrets; print(secrets.token_urlsafe(64))")
export SECRET_KEY

say() { printf '== %s\n' "$*"; }

say "format"
.venv/bin/ruff format --check --quiet --output-format concise .
say "lint"
.venv/bin/ruff check --quiet --output-format concise .
say "import contracts"
contracts=$(.venv/bin/lint-imports --no-cache) || {
    echo "$contracts"
    exit 1
}
say "migrations"
HTTPS=off $PY manage.py makemigrations --check --dry-run
say "deploy check, HTTPS=on"
HTTPS=on $PY manage.py check --deploy --fail-level WARNING
say "dependency audit"
$PY tools/audit.py
