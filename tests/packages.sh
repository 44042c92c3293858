# For the scripts that install what tests need: `packages LOG NAME...` takes packages from the distribution,
# where there is an apt-get and we may. What it cannot do it says, and ends with 1.

as_root() {
    if [ "$(id -u)" = 0 ]; then "$@"; else sudo -n "$@"; fi
}

packages() {
    local log=$1
    shift
    command -v apt-get >/dev/null || { echo "  no apt-get here: install $* by hand"; return 1; }
    as_root true 2>/dev/null || { echo "  neither root nor sudo without a password: install $* by hand"; return 1; }
    export DEBIAN_FRONTEND=noninteractive
    as_root apt-get install -y --no-install-recommends "$@" >"$log" 2>&1 && return
    as_root apt-get update >>"$log" 2>&1
    as_root apt-get install -y --no-install-recommends "$@" >>"$log" 2>&1 && return
    tail -n 3 "$log"
    return 1
}
