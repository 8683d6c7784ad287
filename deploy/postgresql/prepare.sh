#!/bin/sh
# Once per installation, as root: makes the secrets and gives each volume to whoever uses it. Running it again changes
# no secret. Nothing is printed and nothing is ever a default.
#
#   /volumes/owner     the owner's and the service's database passwords: for the server's first start and migrations
#   /volumes/service   the service's database sign-in
#   /volumes/keys      the keys that sign access tokens; the service makes them
#   /volumes/photos    the photos that people send
#   /volumes/database  the database
set -eu
umask 077

service=10001 # the user of the service's image
postgres=$(id -u postgres)
group=$(id -g postgres)

# Writes a file once, whole or not at all: from standard input, with a mode and an owner.
once() {
    [ -e "$1" ] && return
    cat >"$1.new"
    chmod "$2" "$1.new"
    chown "$3" "$1.new"
    sync "$1.new"
    mv "$1.new" "$1"
    sync "${1%/*}"
}

password() {
    # 256 bits; hexadecimal, so that it needs no quoting in an address.
    od -A n -N 32 -t x1 /dev/urandom | tr -d ' \n'
}

# A database with lost secrets is not given new ones silently: nobody could sign in with them.
if [ -e /volumes/database/cluster/PG_VERSION ] && ! [ -e /volumes/owner/owner.password ]; then
    echo "the database is there and its secrets are not: restore the volume with the owner's secrets" >&2
    exit 1
fi

password | once /volumes/owner/owner.password 0440 "$service:$group"
password | once /volumes/owner/service.password 0440 "$service:$group"
address=postgres:5432/clampward
printf 'postgres://clampward_owner:%s@%s\n' "$(cat /volumes/owner/owner.password)" "$address" |
    once /volumes/owner/owner.url 0400 "$service:$service"
printf 'postgres://clampward_service:%s@%s\n' "$(cat /volumes/owner/service.password)" "$address" |
    once /volumes/service/database.url 0400 "$service:$service"

give() {
    chmod "$2" "$1"
    chown "$3" "$1"
}
give /volumes/owner 0550 "$service:$group"
give /volumes/service 0500 "$service:$service"
give /volumes/keys 0700 "$service:$service"
give /volumes/photos 0700 "$service:$service"
give /volumes/database 0700 "$postgres:$group"
