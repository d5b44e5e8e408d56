#!/bin/sh
# make demo: database and media under var/demo, one server, one clock. Never reads DATABASE_URL;
# DEMO_DATABASE_URL puts the demo into another empty database.
set -eu
cd "$(dirname "$0")/.."
PY=.venv/bin/python
PORT="${PORT:-8000}"
mkdir -p var/demo/media

$PY - "$PORT" <<'PYTHON' || exit 1
import socket
import sys

word = sys.argv[1]
if not (word.isdigit() and 0 < int(word) < 65536):
    sys.exit(f"PORT is {word!r}; write a number such as 8001.")
with socket.socket() as probe:
    probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        probe.bind(("127.0.0.1", int(word)))
    except OSError as problem:
        sys.exit(f"Port {word} cannot be used ({problem.strerror}). Start with PORT=8001 make demo.")
PYTHON

export DATABASE_URL="${DEMO_DATABASE_URL:-sqlite:///var/demo/holdfast.sqlite3}"
export HTTPS=off DEMO=on DEBUG=off
export STATIC_ROOT="$PWD/var/demo/static" MEDIA_ROOT="$PWD/var/demo/media"
export ALLOWED_HOSTS="${ALLOWED_HOSTS:-localhost,127.0.0.1,[::1]}"
if [ ! -s var/demo/secret ]; then
    (umask 077 && $PY -c "import secrets; print(secrets.token_urlsafe(64))" >var/demo/secret)
fi
SECRET_KEY=$(cat var/demo/secret)
export SECRET_KEY

# A demo that was cut off while it was filled is started over; one of somebody else's is refused.
filled="var/demo/filled-$(printf %s "$DATABASE_URL" | cksum | cut -d' ' -f1)"
if [ ! -e "$filled" ] && [ -z "${DEMO_DATABASE_URL:-}" ]; then
    rm -f var/demo/holdfast.sqlite3 var/demo/holdfast.sqlite3-wal var/demo/holdfast.sqlite3-shm
fi
$PY manage.py migrate --verbosity 0
if [ ! -e "$filled" ]; then
    $PY manage.py demo >/dev/null # its progress goes to standard error; sign-ins come below
    touch "$filled"
fi
$PY manage.py collectstatic --noinput --verbosity 0

clock() { # one tick a minute, what it says into var/demo/tick.log
    trap 'kill "$!" 2>/dev/null; exit 0' TERM
    while :; do
        sleep 60 &
        wait "$!" || true
        $PY manage.py tick >>var/demo/tick.log 2>&1 || true
    done
}

clock &
clock=$!
.venv/bin/gunicorn facility.wsgi --bind "127.0.0.1:$PORT" --threads 8 --no-control-socket \
    --log-level warning &
server=$!
stop() {
    trap - INT TERM HUP EXIT
    kill "$clock" "$server" 2>/dev/null || true
    wait "$server" 2>/dev/null || true
}
trap 'stop; exit 0' INT TERM HUP
trap stop EXIT

$PY - "$PORT" <<'PYTHON' || exit 1
import sys
import time
from urllib.request import urlopen

address = f"http://127.0.0.1:{sys.argv[1]}/"
for _ in range(150):
    try:
        with urlopen(address + "health/", timeout=5):
            break
    except OSError:
        time.sleep(0.2)
else:
    sys.exit("The server did not answer within 30 seconds; what it said stands above.")
print(f"\nHoldfast's demo, invented data, is at {address}  (Ctrl-C stops it)", flush=True)
PYTHON
$PY manage.py demo --sign-ins
wait "$server"
