# A container engine for the tests, sourced by .ci/run: `start_engine` brings up a daemon of its own with an image that holds
# PostgreSQL, `stop_engine` ends it. Nothing is pulled: the image is built from the distribution's own packages.
# Touches no engine that may already run on this machine.

# Where the built image is kept between runs; everything works without it, only slower.
engine_cache=/var/cache/clampward-ci
engine_directory=
engine_pid=

# Prints the path of the image's archive, building it if it is not there.
engine_image_archive() {
    local suite archive root
    suite=$(. /etc/os-release && echo "$VERSION_CODENAME")
    archive="$engine_cache/postgresql-$suite-1.tar"
    if [ -s "$archive" ]; then
        echo "$archive"
        return
    fi
    if ! mkdir -p "$engine_cache" 2>/dev/null || ! [ -w "$engine_cache" ]; then
        archive="$engine_directory/postgresql-$suite-1.tar"
    fi
    root="$engine_directory/root"
    echo "building the container image (about a minute)" >&2
    debootstrap --variant=minbase --include=postgresql "$suite" "$root" >"$engine_directory/debootstrap.log" 2>&1 ||
        { tail -n 20 "$engine_directory/debootstrap.log" >&2; return 1; }
    rm -rf "$root"/var/cache/apt/archives/*.deb "$root"/var/lib/apt/lists/* "$root"/var/lib/postgresql/*/main \
        "$root"/usr/share/doc/* "$root"/usr/share/man/*
    tar --create --one-file-system --exclude=./proc/* --exclude=./sys/* --exclude=./dev/* \
        --directory "$root" --file "$archive.new" . || return 1
    mv "$archive.new" "$archive" || return 1
    rm -rf "$root"
    echo "$archive"
}

# Starts the daemon and exports DOCKER_HOST and the names of the images; on failure says why and answers 1.
start_engine() {
    local archive socket waited=0
    engine_directory=$(mktemp -d /tmp/clampward-ci.XXXXXX)
    archive=$(engine_image_archive) || { echo "the container image could not be built" >&2; return 1; }
    socket="$engine_directory/engine.sock"
    # No firewall rules: published ports are only needed on loopback, where the daemon's own proxy serves them.
    dockerd --host "unix://$socket" --data-root "$engine_directory/data" --exec-root "$engine_directory/exec" \
        --pidfile "$engine_directory/engine.pid" --iptables=false --ip6tables=false --ip-forward=false \
        >"$engine_directory/engine.log" 2>&1 &
    engine_pid=$!
    until docker --host "unix://$socket" info >/dev/null 2>&1; do
        waited=$((waited + 1))
        if [ "$waited" -gt 300 ] || ! kill -0 "$engine_pid" 2>/dev/null; then
            echo "the container engine did not start:" >&2
            tail -n 20 "$engine_directory/engine.log" >&2
            return 1
        fi
        sleep 0.1
    done
    docker --host "unix://$socket" import "$archive" clampward-test-postgresql:1 >/dev/null ||
        { echo "the container image could not be imported" >&2; return 1; }
    export DOCKER_HOST="unix://$socket"
    export CLAMPWARD_TEST_IMAGE=clampward-test-postgresql:1
    # Also what the images of docker-compose.yml are built on: one image serves for all.
    export CLAMPWARD_POSTGRES_IMAGE=$CLAMPWARD_TEST_IMAGE CLAMPWARD_RUNTIME_IMAGE=$CLAMPWARD_TEST_IMAGE
}

# Ends what start_engine started, by its process id, and removes its files.
stop_engine() {
    if [ -n "$engine_pid" ] && kill -0 "$engine_pid" 2>/dev/null; then
        kill "$engine_pid"
        wait "$engine_pid" 2>/dev/null || true
    fi
    engine_pid=
    if [ -n "$engine_directory" ]; then
        rm -rf --one-file-system "$engine_directory" || true
    fi
    engine_directory=
}
