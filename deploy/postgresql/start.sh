#!/bin/sh
# Starts the server, and makes its cluster first where there is none: with page checksums, a superuser who has no
# password and can only be reached from inside the container, and an owner of the database who is no superuser.
set -eu
umask 077

volume=/var/lib/postgresql/data
settings=/usr/local/share/clampward
bin=$(for file in /usr/lib/postgresql/*/bin/postgres /usr/local/bin/postgres; do
    if [ -x "$file" ]; then dirname "$file"; fi
done | tail -n 1)

# Statements for a server that runs alone, without network.
alone() {
    "$bin/postgres" --single -j -D "$volume/cluster.new" "$1" >/dev/null
}

if ! [ -e "$volume/cluster/PG_VERSION" ]; then
    # Made under another name, so that an attempt that was cut off is begun anew.
    rm -rf "$volume/cluster.new"
    "$bin/initdb" --pgdata="$volume/cluster.new" --username=postgres --encoding=UTF8 --locale=C --data-checksums \
        --auth-local=peer --auth-host=scram-sha-256
    password=$(cat /run/clampward/owner/owner.password)
    alone postgres <<SQL
create role clampward_owner login createrole password '$password';

create database clampward owner clampward_owner;
SQL
    mv "$volume/cluster.new" "$volume/cluster"
    sync "$volume"
fi

exec "$bin/postgres" -D "$volume/cluster" -c "config_file=$settings/postgresql.conf" -c "hba_file=$settings/pg_hba.conf"
