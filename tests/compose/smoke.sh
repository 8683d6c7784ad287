#!/usr/bin/env bash
# Starts Clampward as docker-compose.yml says, from the files under version control alone, and uses it: a first
# administrator, a clamp, a crash, a backup and its restore, a stop. Leaves nothing behind.
#
#   tests/compose/smoke.sh COMPOSE BINARY WORKER
#
# COMPOSE is `docker compose` or `docker-compose`; BINARY and WORKER are clampward-api and clampward-worker as built on this
# machine, so that nothing is compiled here. CLAMPWARD_RUNTIME_IMAGE and CLAMPWARD_POSTGRES_IMAGE name the base images, as docker-compose.yml does.
set -euo pipefail
read -ra compose_program <<<"$1"
binary=$(realpath "$2")
worker=$(realpath "$3")
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

work=$(mktemp -d)
mark=$$-$RANDOM
export COMPOSE_PROJECT_NAME="clampward-smoke-$mark" CLAMPWARD_VERSION="smoke-$mark"
export CLAMPWARD_BUILD_TARGET=prebuilt CLAMPWARD_PORT=0 CLAMPWARD_METRICS_PORT=0
unset CLAMPWARD_ISSUER CLAMPWARD_LOG

say() { printf '   %3s s  %s\n' "$SECONDS" "$*"; }
fail() {
    echo "compose: $*" >&2
    compose ps >&2 || true
    compose logs --no-color --tail=40 >&2 || true
    exit 1
}
compose() { "${compose_program[@]}" "$@"; }
finish() {
    local status=$?
    compose down --volumes --rmi local --remove-orphans --timeout 5 >/dev/null 2>&1 || true
    docker image rm "clampward-api:$CLAMPWARD_VERSION" "clampward-postgresql:$CLAMPWARD_VERSION" >/dev/null 2>&1 || true
    rm -rf "$work"
    exit "$status"
}

# Files of the checkout as version control knows them, and the binary: what a clean clone has.
mkdir "$work/clone"
git ls-files -z --cached --others --exclude-standard --deduplicate |
    while IFS= read -r -d '' file; do if [ -e "$file" ]; then printf '%s\0' "$file"; fi; done |
    tar --create --null --files-from=- | tar --extract --directory="$work/clone"
cd "$work/clone"
strip -o deploy/prebuilt/clampward-api "$binary"
strip -o deploy/prebuilt/clampward-worker "$worker"
trap finish EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

container() { docker ps --quiet --latest --filter "label=com.docker.compose.project=$COMPOSE_PROJECT_NAME" --filter "label=com.docker.compose.service=$1" --filter label=com.docker.compose.oneoff=False; }
state() { docker inspect --format "{{$2}}" "$(container "$1")"; }
equal() { [ "$2" = "$3" ] || fail "$1: expected $3, found $2"; }

# Waits until the service answers that it is ready: at most a minute.
await_ready() {
    local tries=0
    until
        at=$(docker port "$(container api)" 8080/tcp 2>/dev/null) && [ -n "$at" ] && curl --silent --fail --max-time 5 "http://$at/readyz" >/dev/null
    do
        tries=$((tries + 1))
        [ "$tries" -lt 300 ] || fail "the service does not get ready"
        sleep 0.2
    done
}

# A request that must succeed: METHOD PATH TOKEN [BODY].
ask() {
    local answer
    answer=$(curl --silent --show-error --max-time 20 --request "$1" "http://$at$2" ${3:+--header "Authorization: Bearer $3"} \
        ${4:+--header 'Content-Type: application/json' --data "$4"} --write-out '\n%{http_code}') || fail "$1 $2 was not answered"
    case "${answer##*$'\n'}" in
    2??) printf '%s' "${answer%$'\n'*}" ;;
    *) fail "$1 $2: $answer" ;;
    esac
}
sign_in() { ask POST /v1/auth/token "" "$(jq -nc --arg email "$1" --arg password "$2" '{$email, $password}')" | jq -r .access_token; }
new() { cat /proc/sys/kernel/random/uuid; }
sql() { docker exec "$(container postgres)" psql --no-psqlrc --quiet --tuples-only --no-align --command "$1" clampward; }

compose config --quiet
compose up --detach --build >"$work/up.log" 2>&1 || { cat "$work/up.log" >&2; fail "it does not start"; }
await_ready
say "up: $(docker image inspect --format '{{.Size}}' "clampward-api:$CLAMPWARD_VERSION" | numfmt --to=iec) image of the service, ready at $at"

# Least privilege, as it really runs.
equal "the service's user" "$(docker exec "$(container api)" id -u)" 10001
equal "the service's capabilities" "$(docker exec "$(container api)" grep CapEff /proc/1/status | tr -d '[:space:]')" CapEff:0000000000000000
docker exec "$(container api)" touch /somewhere 2>/dev/null && fail "the service can write to its image"
docker exec "$(container api)" test -e /run/clampward/owner && fail "the service can see the owner's secrets"
equal "owned by the service" "$(sql "select count(*) from pg_class c join pg_roles r on r.oid = c.relowner where r.rolname = 'clampward_service'")" 0
equal "powers of the sign-ins" "$(sql "select string_agg(rolname, ',') from pg_roles where rolname like 'clampward%' and (rolsuper or rolbypassrls)")" ""
equal "durability" "$(sql "select string_agg(setting, ',' order by name) from pg_settings where name in ('data_checksums', 'fsync', 'full_page_writes', 'synchronous_commit', 'TimeZone')")" UTC,on,on,on,on
equal "published" "$(docker ps --filter "label=com.docker.compose.project=$COMPOSE_PROJECT_NAME" --format '{{.Ports}}' | grep -o '[0-9.:]*->' | grep -vc '^127.0.0.1:' || true)" 0

# A first administrator, and what a yard begins with.
password=$(compose run --rm -T api create-administrator --email administrator@halvorsund.example 2>"$work/create.log" | tr -d '\r\n')
[ "${#password}" -ge 15 ] || { cat "$work/create.log" >&2; fail "no password was printed"; }
administrator=$(sign_in administrator@halvorsund.example "$password")
yard=$(ask POST /v1/yards "$administrator" '{"code": "PEL", "name": "Port Ellery", "time_zone": "Europe/London", "rule_set": "gb-loler"}' | jq -r .id)
model=$(ask POST /v1/models "$administrator" '{"maker": "Ostvik Klammer", "model": "OK-V3", "kind": "vertical", "wll": {"value": "3000", "unit": "kg"}, "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "40", "unit": "mm"}}}' | jq -r .id)
token=$(ask POST /v1/users "$administrator" "$(jq -nc --arg yard "$yard" '{email: "lead@halvorsund.example", name: "Mara Lind", roles: ["yard_lead"], yards: [$yard]}')" | jq -r .set_password_token)
ask POST /v1/auth/set-password "" "$(jq -nc --arg token "$token" '{$token, password: "five plain words do nicely"}')"
lead=$(sign_in lead@halvorsund.example "five plain words do nicely")
clamp=$(new)
ask POST /v1/clamps "$lead" "$(jq -nc --arg id "$clamp" --arg entry_id "$(new)" --arg at "$(date -u +%FT%TZ)" --arg model_id "$model" --arg yard_id "$yard" \
    '{$id, $entry_id, performed_at: $at, asset_mark: "PEL-1", serial_number: "1", $model_id, $yard_id, service_class: "normal"}')" >/dev/null
there() { equal "the clamp $1" "$(ask GET "/v1/clamps/$clamp" "$lead" | jq -r .status)" awaiting_initial_inspection; }
there "as it was registered"
curl --silent --fail --max-time 5 "http://$(docker port "$(container api)" 9464/tcp)/metrics" >"$work/metrics" || fail "no metrics"
grep --quiet '^clampward_' "$work/metrics" || fail "the metrics name nothing of ours"
say "used: administrator, yard, model, person, clamp"

# The worker holds a clamp for a bulletin, without a mail server.
equal "the worker's user" "$(docker exec "$(container worker)" id -u)" 10001
token_of_safety=$(ask POST /v1/users "$administrator" '{"email": "safety@halvorsund.example", "name": "Ines Vik", "roles": ["safety"], "yards": "all"}' | jq -r .set_password_token)
ask POST /v1/auth/set-password "" "$(jq -nc --arg token "$token_of_safety" '{$token, password: "five plain words do nicely"}')"
safety=$(sign_in safety@halvorsund.example "five plain words do nicely")
held=$(new)
ask POST /v1/clamps "$lead" "$(jq -nc --arg id "$held" --arg entry_id "$(new)" --arg at "$(date -u +%FT%TZ)" --arg model_id "$model" --arg yard_id "$yard" \
    '{$id, $entry_id, performed_at: $at, asset_mark: "PEL-2", serial_number: "2", $model_id, $yard_id, service_class: "normal"}')" >/dev/null
bulletin=$(ask POST /v1/bulletins "$safety" "$(jq -nc --arg model "$model" --arg day "$(date -u +%F)" \
    '{code: "SB-1", title: "Pins of one melt", issued_by: "Halvorsund safety team", issued_on: $day, class: "inspect_before_use",
      text: "Look for bent pins.", scope: {models: [$model], serials: {numbers: ["2"]}}, checks: ["pin_bent"]}')" | jq -r .id)
tries=0
until [ "$(ask GET "/v1/bulletins/$bulletin/progress" "$safety" | jq -c '[.held, .clamps.outstanding]')" = '[true,1]' ]; do
    tries=$((tries + 1))
    [ "$tries" -lt 150 ] || fail "the worker holds nothing"
    sleep 0.2
done
equal "the clamp that the bulletin holds" "$(ask GET "/v1/clamps/$held" "$lead" | jq -r .status)" tagged_out
there "which the bulletin is not about"
say "held: the worker carried a bulletin out"

# The service crashes. Killed from outside, as the kernel would: the engine starts it again, and it knows its tokens.
kill -KILL "$(state api .State.Pid)"
await_ready
there "after the service was killed"
# So does the database. Whoever asks meanwhile is told 503, to ask again, and nothing else.
before=$(state postgres .State.Pid)
kill -KILL "$before"
tries=0
status=
until [ "$status" = 200 ]; do
    tries=$((tries + 1))
    [ "$tries" -lt 300 ] || fail "the database does not come back"
    sleep 0.2
    status=$(curl --silent --max-time 20 --output "$work/clamp" --write-out '%{http_code}' "http://$at/v1/clamps/$clamp" --header "Authorization: Bearer $lead")
    case "$status" in 200 | 503) ;; *) fail "without its database the service answers $status" ;; esac
    # An answer of before the crash is none: the server must be another one, and serve.
    if [ "$(state postgres .State.Pid)" = "$before" ] || ! sql "select 1" >/dev/null 2>&1; then status=; fi
done
equal "the clamp after the database was killed" "$(jq -r .status "$work/clamp")" awaiting_initial_inspection
say "killed: both are back by themselves"

compose exec -T postgres pg_dump --format=custom clampward >"$work/clampward.dump"

# Told to stop, it stops in order; everything is still there afterwards, under the same passwords.
api=$(container api)
running_worker=$(container worker)
compose stop api worker >/dev/null 2>&1
equal "status after SIGTERM" "$(docker inspect --format '{{.State.ExitCode}}' "$api")" 0
equal "status of the worker after SIGTERM" "$(docker inspect --format '{{.State.ExitCode}}' "$running_worker")" 0
logs=$(compose logs --no-color 2>&1)
compose down >/dev/null 2>&1
compose up --detach >/dev/null 2>&1 || fail "it does not start again"
await_ready
lead=$(sign_in lead@halvorsund.example "five plain words do nicely")
there "after everything was taken down and started again"
say "stopped with status 0, taken down, started: everything is there"

# A backup in new volumes: other secrets, the same ledger.
before=$(sql "select position from ledger_head")
compose down --volumes >/dev/null 2>&1
compose up --detach migrate >/dev/null 2>&1
compose run --rm -T migrate >/dev/null 2>&1
compose exec -T postgres dropdb clampward
compose exec -T postgres createdb --owner=clampward_owner clampward
compose exec -T postgres pg_restore --exit-on-error --dbname=clampward <"$work/clampward.dump"
compose up --detach >/dev/null 2>&1 || fail "it does not start on the restored database"
await_ready
equal "the restored ledger's position" "$(sql "select position from ledger_head")" "$before"
compose run --rm -T api verify >"$work/verify.json" 2>"$work/verify.log" || { cat "$work/verify.json" "$work/verify.log" >&2; fail "the restored ledger does not verify"; }
lead=$(sign_in lead@halvorsund.example "five plain words do nicely")
there "after a restore"
say "restored into new volumes and verified"

# Nothing secret was said.
logs+=$(compose logs --no-color 2>&1)
for secret in "$password" "$token" "$token_of_safety" "$administrator" "$safety" "$lead" "five plain words"; do
    case "$logs" in *"$secret"*) fail "a secret is in the logs" ;; esac
done
for address in owner/owner.password owner/service.password; do
    secret=$(docker exec "$(container postgres)" cat "/run/clampward/$address")
    [ "${#secret}" -eq 64 ] || fail "$address is not what it should be"
    case "$(docker inspect "$(container postgres)" "$(container api)") $logs" in
    *"$secret"*) fail "$address is shown by docker inspect or in the logs" ;;
    esac
done
say "no secret in logs or in the containers' descriptions"
