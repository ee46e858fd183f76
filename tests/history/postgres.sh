#!/usr/bin/env bash
# Starts a PostgreSQL server of its own, runs a command with LOOPGAUGE_TEST_POSTGRES set to its address, and stops it.
#
#   tests/history/postgres.sh cargo test --test history
#
# Data in a temporary folder, loopback only, any free port. The server refuses root: there the user `nobody` runs it.
set -euo pipefail

find_tool() {
  local found
  found=$(command -v "$1" || find /usr/lib/postgresql/*/bin -name "$1" 2>/dev/null | sort -V | tail -n 1)
  [ -n "$found" ] || { echo "error: no $1: install the package postgresql" >&2; exit 1; }
  printf '%s' "$found"
}
initdb=$(find_tool initdb)
pg_ctl=$(find_tool pg_ctl)

home=$(mktemp -d /tmp/loopgauge-postgres.XXXXXX)
as_user=()
if [ "$(id -u)" = 0 ]; then
  as_user=(setpriv --reuid=nobody --regid=nogroup --clear-groups env "HOME=$home")
  chown nobody:nogroup "$home"
fi
port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')

# A certificate for 127.0.0.1, signed by an authority that nobody else trusts.
options=
if command -v openssl >/dev/null; then
  (
    cd "$home"
    openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=authority -keyout authority.key -out authority.pem
    openssl req -new -newkey rsa:2048 -nodes -subj /CN=server -keyout server.key -out server.csr
    printf 'subjectAltName=IP:127.0.0.1\nbasicConstraints=CA:FALSE\n' >server.ext
    openssl x509 -req -in server.csr -CA authority.pem -CAkey authority.key -CAcreateserial -days 2 \
      -extfile server.ext -out server.pem
    chmod 600 server.key
    [ "$(id -u)" != 0 ] || chown nobody:nogroup server.key
  ) 2>/dev/null
  options="-c ssl=on -c ssl_cert_file=$home/server.pem -c ssl_key_file=$home/server.key"
  export LOOPGAUGE_TEST_POSTGRES_AUTHORITY="$home/authority.pem"
fi

cat >"$home/control" <<END
#!/usr/bin/env bash
set -euo pipefail
cd "$home"
case \$1 in
  start) exec ${as_user[*]} "$pg_ctl" -D "$home/data" -l "$home/log" -w -o "-p $port -c listen_addresses=127.0.0.1 \\
    -c unix_socket_directories=$home -c max_connections=120 $options \${LOOPGAUGE_TEST_POSTGRES_OPTIONS:-}" start >/dev/null ;;
  stop) exec ${as_user[*]} "$pg_ctl" -D "$home/data" -w -m fast stop >/dev/null ;;
esac
END
chmod 755 "$home/control"

clean() {
  "$home/control" stop 2>/dev/null || true
  rm -rf "$home"
}
trap clean EXIT
trap 'exit 130' INT TERM

(cd "$home" && "${as_user[@]}" "$initdb" -D "$home/data" -U postgres -A trust -E UTF8 --locale=C >/dev/null)
"$home/control" start || { cat "$home/log" >&2; exit 1; }
export LOOPGAUGE_TEST_POSTGRES="postgresql://postgres@127.0.0.1:$port/postgres"
export LOOPGAUGE_TEST_POSTGRES_CONTROL="$home/control"
export LOOPGAUGE_TEST_POSTGRES_DATA="$home/data"
"$@"
