# Shared by run, test and bench: finding Python, making the environment, installing what is missing.
# Sourced, not run; expects `here` to be the top of the checkout.

say() { printf '%s\n' "$*"; }
fail() { printf 'brinewatch: %s\n' "$*" >&2; exit 1; }

# A Python from 3.11 to 3.13 that really starts (a version manager's stand-in may not).
find_python() {
  local name
  for name in python3 python3.13 python3.12 python3.11; do
    if "$name" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' 2>/dev/null; then
      command -v "$name"
      return 0
    fi
  done
  return 1
}

python_version() { "$1" -c 'import sys; print("%d.%d" % sys.version_info[:2])'; }

# install_packages [--lean] PACKAGE...: Debian packages, only those not there yet. Needs root, and says why it wants
# it. --lean: without what they recommend.
install_packages() {
  local missing=() package lean=''
  [ "$1" != --lean ] || { lean=--no-install-recommends; shift; }
  for package in "$@"; do
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
  done
  [ ${#missing[@]} -eq 0 ] && return 0
  command -v apt-get >/dev/null || return 1
  local root=()
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || return 1
    root=(sudo)
    say "Installing ${missing[*]} needs the administrator's password (apt-get install)."
  fi
  say "Installing from Debian: ${missing[*]} ..."
  "${root[@]}" env DEBIAN_FRONTEND=noninteractive sh -c \
    "apt-get install -y -qq $lean ${missing[*]} >/dev/null 2>&1 || { apt-get update -qq && apt-get install -y -qq $lean ${missing[*]} >/dev/null; }"
}

# bring_chart_script PYTHON: the library of the page's charts, which npm brings. Without it the page works too, and this
# says what is missing. Asks for no password.
bring_chart_script() {
  if [ ! -f "$here/daemon/brinewatch/page/vendor/uplot.js" ] && ! command -v npm >/dev/null &&
    { [ "$(id -u)" -eq 0 ] || sudo -n true 2>/dev/null; }; then
    install_packages --lean npm || true
  fi
  "$1" "$here/deploy/chart_script.py" || true
}

# pins_for 3.11|3.12|3.13 EXTRA,...: what is to be installed there, each line with the checksums it must have (deploy/pins).
pins_for() {
  awk -v want=",$2," '/^# \[/ { on = index(want, "," substr($2, 2, length($2) - 2) ","); next }
    on && !/^#/ && !seen[$0]++' "$here/deploy/pins/$1.txt"
}

# install_pinned PYTHON EXTRA,... [PIP OPTION...]: the packages into that environment. No file is taken whose checksum
# is not the pinned one; nothing is looked up beside them, not even for building.
install_pinned() {
  local python=$1 extras=$2 tools=build version
  version=$(python_version "$1")
  shift 2
  [ "$extras" != dev ] || tools=build,build-dev
  "$python" -m pip install --disable-pip-version-check --require-hashes --no-deps "$@" -r <(pins_for "$version" "$tools") &&
    "$python" -m pip install --disable-pip-version-check --require-hashes --no-deps --no-build-isolation "$@" \
      -r <(pins_for "$version" "base,$extras")
}

# make_environment EXTRAS: .venv with the program and the named extras; nothing is done when nothing has changed.
make_environment() {
  local extras=$1 python stamp wanted
  python=$(find_python) || { install_packages python3 && python=$(find_python); } ||
    fail "no Python from 3.11 to 3.13 found. Install one, for example: sudo apt-get install python3"
  wanted="$extras $(cat "$here/pyproject.toml" "$here"/deploy/pins/*.txt | cksum) $here"
  stamp=$here/.venv/installed
  # what the tests were given holds every extra
  if [ -x "$here/.venv/bin/python" ] && { [ "$(cat "$stamp-$extras" 2>/dev/null)" = "$wanted" ] ||
    [ "$(cat "$stamp-dev" 2>/dev/null)" = "dev ${wanted#"$extras" }" ]; }; then
    return 0
  fi
  if [ ! -x "$here/.venv/bin/python" ]; then
    say "Making the Python environment in .venv ($("$python" --version)) ..."
    if ! "$python" -m venv "$here/.venv" >/dev/null 2>&1; then
      rm -rf "$here/.venv"
      # Debian keeps venv in a package of its own, which is why this may ask for the administrator's password
      install_packages python3-venv || fail "Python has no venv module. Install it: sudo apt-get install python3-venv"
      "$python" -m venv "$here/.venv" || fail "cannot make .venv with $python"
    fi
  fi
  bring_chart_script "$python"
  say "Installing Python packages into .venv (under a minute on a PC, several on a Raspberry Pi) ..."
  { install_pinned "$here/.venv/bin/python" "$extras" --quiet && "$here/.venv/bin/python" -m pip install --quiet \
    --disable-pip-version-check --no-deps --no-build-isolation --no-index --editable "$here"; } 2>"$here/.venv/install.log" || {
    tail -n 15 "$here/.venv/install.log" >&2
    fail "installing failed; the lines above say why (whole log: .venv/install.log)"
  }
  printf '%s' "$wanted" >"$stamp-$extras"
}

# What the daemon is started with: smaller code objects and one heap save a megabyte of the Pi's memory.
export PYTHONNODEBUGRANGES=1 MALLOC_ARENA_MAX=1
