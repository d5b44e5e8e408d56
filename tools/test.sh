#!/bin/sh
# make test: what is missing is installed, then checks, then all tests on both databases.
# ALLOW_SKIPS=1 leaves out what needs a missing program, and says so.
set -u
cd "$(dirname "$0")/.."
export PYTHONDONTWRITEBYTECODE=1 OPENBLAS_NUM_THREADS=1 # as the server has it
unset DATABASE_URL DEMO_DATABASE_URL HTTPS SECRET_KEY DEBUG DEMO ALLOWED_HOSTS CSRF_TRUSTED_ORIGINS
unset PUBLIC_URL TIME_ZONE STATIC_ROOT MEDIA_ROOT LOG_LEVEL PYTEST_ADDOPTS DJANGO_SETTINGS_MODULE
POSTGRESQL=postgres://postgres@/holdfast # the tests put their own socket there
ALLOW_SKIPS="${ALLOW_SKIPS:-}"
WORKERS="${WORKERS:-2}"

missing() {
    lacking=""
    ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || lacking="$lacking postgresql"
    [ -x /usr/bin/chromium ] || lacking="$lacking chromium"
    [ -d /usr/share/fonts/truetype/dejavu ] || lacking="$lacking fonts-dejavu-core"
    echo "$lacking"
}

needed=$(missing)
if [ -n "$needed" ] && [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    echo "== installing$needed"
    export DEBIAN_FRONTEND=noninteractive
    apt-get update -qq >/dev/null &&
        apt-get install -qq -y --no-install-recommends $needed >/dev/null
    needed=$(missing)
fi
if [ -n "$needed" ] && [ "$ALLOW_SKIPS" != 1 ]; then
    echo "Missing:$needed. Install with: apt-get install$needed (or ALLOW_SKIPS=1 make test)." >&2
    exit 1
fi

sh tools/check.sh || exit 1

failed=0
part() { # part NAME NEEDS PYTEST-WORDS...
    name=$1 needs=$2
    shift 2
    for package in $needs; do
        case " $needed " in *" $package "*)
            echo "== SKIPPED: $name, because $package is missing"
            return
            ;;
        esac
    done
    echo "== $name"
    start=$(date +%s)
    .venv/bin/python -m pytest -q -n "$WORKERS" --durations=5 --durations-min=2 "$@"
    code=$?
    echo "== $name: $(($(date +%s) - start)) s"
    [ $code = 0 ] || failed=1
}

part "pure and database tests, SQLite" "" -m "not browser and not soak"
export DATABASE_URL=$POSTGRESQL
part "database tests, PostgreSQL" "postgresql" -m "database and not browser and not soak and not once"
part "browser tests, PostgreSQL" "postgresql chromium fonts-dejavu-core" -m "browser and not soak" tests/browser
unset DATABASE_URL
part "browser tests marked for both, SQLite" "chromium fonts-dejavu-core" -m "browser and both and not soak" tests/browser

exit $failed
