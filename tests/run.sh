#!/usr/bin/env bash
# Runs everything: format, lint, types, tests. Installs what is missing where it may, starts what
# the tests need and stops it again. What is given to it goes on to pytest:
#   bash tests/run.sh                  all of it
#   bash tests/run.sh tests/domain     one room
#   bash tests/run.sh --no-skips       as all of it, and a skipped test fails the run
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

needed=()
command -v chromium >/dev/null || needed+=(chromium)
command -v pg_config >/dev/null && bindir=$(pg_config --bindir) || bindir=""
[ -x "${bindir:-/nowhere}/initdb" ] || bindir=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1)
[ -x "${bindir:-/nowhere}/initdb" ] || needed+=(postgresql)
command -v dciodvfy >/dev/null || needed+=(dicom3tools)
command -v dcmdump >/dev/null || needed+=(dcmtk)
command -v pdftotext >/dev/null || needed+=(poppler-utils)
[ -x /usr/sbin/Orthanc ] || needed+=(orthanc)
[ -e /usr/share/orthanc/plugins/libOrthancDicomWeb.so ] || needed+=(orthanc-dicomweb)
python3 -c 'import ensurepip' 2>/dev/null || needed+=(python3-venv)
if [ ${#needed[@]} -gt 0 ]; then
    install="apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends ${needed[*]}"
    if [ "$(id -u)" = 0 ]; then
        echo "installing ${needed[*]}"
        bash -c "$install" >/dev/null
    elif sudo -n true 2>/dev/null; then
        echo "installing ${needed[*]}"
        sudo -n bash -c "$install" >/dev/null
    else
        echo "missing: ${needed[*]}. As root run: $install" >&2
        exit 2
    fi
    [ -x "${bindir:-/nowhere}/initdb" ] || bindir=$(ls -d /usr/lib/postgresql/*/bin | sort -V | tail -n 1)
fi

[ -x .venv-tests/bin/python ] || python3 -m venv .venv-tests
bin=$PWD/.venv-tests/bin
"$bin/python" -m pip install -q --disable-pip-version-check -e '.[test,postgres]'

# A PostgreSQL of the tests' own, on loopback, gone when they end. PostgreSQL refuses to run as root.
# It and the tests' folders stand in memory where there is room: a database is made for each test,
# which takes a tenth of the time there.
room=${TMPDIR:-/tmp}
if [ -w /dev/shm ] && [ "$(df --output=avail -k /dev/shm | tail -n 1)" -gt 4000000 ]; then
    room=/dev/shm
fi
server=$(mktemp -d "$room/ledger-tests.XXXXXX")
folders=$(mktemp -d "$room/ledger-tests.XXXXXX")
as_server() { "$@"; }
if [ "$(id -u)" = 0 ]; then
    chown postgres "$server"
    as_server() { runuser -u postgres -- "$@"; }
fi
port=$("$bin/python" -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
stop() {
    as_server "$bindir/pg_ctl" -D "$server/data" -m fast -w stop >/dev/null 2>&1 || true
    rm -rf "$server" "$folders"
}
trap stop EXIT
(
    cd "$server"
    as_server "$bindir/initdb" -D "$server/data" -A trust -U postgres --no-sync -E UTF8 --locale=C.UTF-8 >/dev/null
    as_server "$bindir/pg_ctl" -D "$server/data" -w -l "$server/log" \
        -o "-p $port -c listen_addresses=127.0.0.1 -c unix_socket_directories=$server -c fsync=off -c full_page_writes=off -c wal_level=minimal -c max_wal_senders=0 -c max_connections=200" start >/dev/null
)
export PEDICLE_LEDGER_TEST_POSTGRES="postgresql+psycopg://postgres@127.0.0.1:$port/postgres"
export PEDICLE_LEDGER_TEST_CHROMIUM=${PEDICLE_LEDGER_TEST_CHROMIUM:-$(command -v chromium)}
unset PEDICLE_LEDGER_HOME PEDICLE_LEDGER_DATABASE
# Two tests at a time have the processors already: more threads for one product of matrices only
# wait for each other, which costs a third of the work of drawing a CT. And what is compiled is
# kept, as the program is started anew by many tests.
export OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1
unset PYTHONDONTWRITEBYTECODE

no_skips=""
if [ "${1:-}" = "--no-skips" ]; then
    shift
    no_skips=yes
fi
echo "== format, lint, types"
"$bin/ruff" format --check .
"$bin/ruff" check .
"$bin/mypy"
echo "== tests"
"$bin/python" -m pytest -n "${PEDICLE_LEDGER_TEST_WORKERS:-2}" --dist=worksteal -q -rs --durations=15 \
    --basetemp="$folders/pytest" -o tmp_path_retention_policy=failed "$@" | tee "$folders/said"
last=$(tail -n 1 "$folders/said")
if [ -n "$no_skips" ] && grep -qE '[0-9]+ (skipped|xfailed|xpassed|deselected)' <<<"$last"; then
    echo "tests were left out, and none may be: $last" >&2
    exit 1
fi
