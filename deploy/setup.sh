# Shared by deploy/demo and deploy/test, which source it from the top of the checkout. Needs bash and Python >= 3.11;
# no root. Everything it makes lies in the checkout, in .venv and .tools.
#
#   prepare_python   a virtual environment with exactly the packages of deploy/requirements.lock, and this project in it
#   bring_tools      programs that only the tests need (Mosquitto, promtool, systemd-analyze, mbpoll, Chromium) and a
#                    library (libmodbus), from Debian's packages

readonly LOCK=deploy/requirements.lock
readonly STAMP=.venv/crumbmeter.stamp      # written last: no stamp, no finished environment
readonly UNFINISHED=.venv/crumbmeter.unfinished
readonly DEBIAN=$PWD/.tools/debian

unset PYTHONPATH PYTHONHOME
export PIP_DISABLE_PIP_VERSION_CHECK=1
readonly PATH_BEFORE=$PATH
export PATH="$PWD/.venv/bin:$PWD/.tools/bin:$PATH:/usr/sbin:/sbin"

say() { printf '%s\n' "$*" >&2; }
die() { say "$0: $*"; exit 1; }

# --- Python -----------------------------------------------------------------------------------------------------------

find_python() {
  local candidate PATH=$PATH_BEFORE                      # never the environment that is about to be made
  for candidate in ${CRUMBMETER_PYTHON:-python3 python3.14 python3.13 python3.12 python3.11}; do
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      "$candidate" -c 'import sys; print(sys.executable)'
      return
    fi
  done
  die "no Python 3.11 or newer found (looked for ${CRUMBMETER_PYTHON:-python3 and python3.14 to python3.11 on PATH}).
On Debian 12 or Ubuntu 24.04: apt-get install python3. One elsewhere: CRUMBMETER_PYTHON=/path/to/python3 $0"
}

fingerprint() {  # of everything that the environment depends on
  sha256sum "$LOCK" pyproject.toml
  printf '%s\n' "$PWD"
  .venv/bin/python -c 'import sys; print(sys.version, sys.base_prefix)'
}

environment_is_ready() {
  [ -x .venv/bin/python ] && [ -f "$STAMP" ] && [ ! -e "$UNFINISHED" ] && [ "$(fingerprint 2>/dev/null)" = "$(cat "$STAMP")" ]
}

make_environment() {
  local python
  python=$(find_python) || exit 1
  if [ -e "$UNFINISHED" ] || ! .venv/bin/python -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    rm -rf .venv                                         # an interrupted or broken one is made anew, never mended
    "$python" -m venv --without-pip .venv || die "'$python -m venv --without-pip .venv' failed (reason above)"
  fi
  : >"$UNFINISHED"
  choose_pip "$python"
  # The project itself cannot be in the lock; its build backend is, so nothing unpinned is fetched to build it.
  "${PIP[@]}" install --quiet --require-hashes -r "$LOCK" &&
    "${PIP[@]}" install --quiet --no-deps --no-build-isolation --editable . ||
    die "installing the packages of $LOCK failed (reason above). Run the command again when that is mended."
  fingerprint >"$STAMP.new" && mv "$STAMP.new" "$STAMP" && rm -f "$UNFINISHED"
}

# Debian's bare python3 has neither pip nor ensurepip (that is package python3-venv). Take the first of: the
# environment's own pip; the pip that came with Python; the pip of the machine; Debian's packaged pip, unpacked here.
choose_pip() {
  local python=$1 wheel
  PIP=(.venv/bin/python -m pip)
  "${PIP[@]}" --version >/dev/null 2>&1 && return
  .venv/bin/python -m ensurepip >/dev/null 2>&1 && "${PIP[@]}" --version >/dev/null 2>&1 && return
  PIP=("$python" -m pip --python .venv/bin/python)       # from pip 22.3 on
  "${PIP[@]}" --version >/dev/null 2>&1 && return
  if [ ! -d .tools/pip ] && unpack_debian python3-pip-whl usr/share/python-wheels; then
    wheel=$(find "$DEBIAN/root/usr/share/python-wheels" -name 'pip-*.whl' | head -n 1)
    "$python" -m zipfile -e "$wheel" .tools/pip.new && mv .tools/pip.new .tools/pip
  fi
  PIP=(env PYTHONPATH="$PWD/.tools/pip" .venv/bin/python -m pip)
  "${PIP[@]}" --version >/dev/null 2>&1 && return
  die "$python has no pip and no ensurepip, and none could be brought: ${REASON:-unknown reason}.
Install either and run the command again. On Debian or Ubuntu, as root: apt-get install python3-venv"
}

prepare_python() {
  environment_is_ready && return
  mkdir -p .tools
  (
    if command -v flock >/dev/null; then flock 9; fi     # two commands started at once do not build over each other
    environment_is_ready && exit 0
    say "Setting up .venv from $LOCK (once; about half a minute)..."
    make_environment
  ) 9>.tools/setup.lock || exit 1
}

# --- Debian's packages, without root and without leaving anything on the machine --------------------------------------

# Installing a server package would start its service, now or at the next boot, and it would clash with the tests or
# with the machine's owner. So packages are fetched by apt with lists and cache of its own, and unpacked in .tools.
apt_here() {
  apt-get -qq -o Debug::NoLocking=1 -o APT::Sandbox::User=root -o APT::Get::List-Cleanup=0 \
    -o Acquire::Retries=1 -o Acquire::http::Timeout=20 -o Acquire::https::Timeout=20 \
    -o Dir::State::status="$DEBIAN/status" -o Dir::State::lists="$DEBIAN/lists" \
    -o Dir::State::extended_states="$DEBIAN/extended" -o Dir::Cache="$DEBIAN/cache" "$@" 2>>"$DEBIAN/apt.log"
}

refresh_lists() {
  [ -f "$DEBIAN/lists/fresh" ] && return
  apt_here update >>"$DEBIAN/apt.log" &&
    [ -n "$(find "$DEBIAN/lists" -maxdepth 1 -name '*Packages*' -print -quit)" ] && : >"$DEBIAN/lists/fresh"
}

fetch() {  # PACKAGE...: those that are not there yet
  (cd "$DEBIAN/debs" && apt_here download "$@") >>"$DEBIAN/apt.log"
}

unpack_one() {  # PACKAGE [PATH]: all of the package, or one path of it
  { compgen -G "$DEBIAN/debs/$1_*.deb" >/dev/null || fetch "$1"; } &&
    dpkg-deb --fsys-tarfile "$DEBIAN/debs/$1"_*.deb 2>>"$DEBIAN/apt.log" |
    tar -x --no-same-owner -C "$DEBIAN/root" ${2:+"./$2"} 2>>"$DEBIAN/apt.log"
}

installed() { dpkg-query -W -f '${Status}' "$1" 2>/dev/null | grep -q 'ok installed$'; }

# unpack_debian PACKAGE [PATH]: one path of the package, or without PATH all of it and of what it depends on and the
# machine lacks. Sets REASON on failure.
unpack_debian() {
  local package=$1 path=${2-} names name wanted=()
  if ! command -v apt-get >/dev/null || ! command -v dpkg-deb >/dev/null; then
    REASON='this machine has no apt-get'; return 1
  fi
  mkdir -p "$DEBIAN"/{lists,cache/archives}/partial "$DEBIAN"/{root,debs}
  : >"$DEBIAN/status"
  : >"$DEBIAN/apt.log"
  refresh_lists || { REASON="apt cannot reach Debian's packages: $(tail -n 1 "$DEBIAN/apt.log")"; return 1; }
  names=$package
  if [ -z "$path" ]; then
    names=$(apt_here --simulate --no-install-recommends install "$package" | awk '$1 == "Inst" { print $2 }')
    [ -n "$names" ] || { REASON="apt finds no package $package: $(tail -n 1 "$DEBIAN/apt.log")"; return 1; }
  fi
  for name in $names; do
    if [ "$name" = "$package" ] || ! installed "$name"; then wanted+=("$name"); fi
  done
  rm -rf "$DEBIAN"/debs/*.deb
  fetch "${wanted[@]}" || :                              # at once is quicker; what failed is tried again one by one
  for name in "${wanted[@]}"; do
    if ! unpack_one "$name" "$path"; then
      rm -f "$DEBIAN/debs/$name"_*.deb "$DEBIAN/lists/fresh"  # perhaps the lists are old: fetch them once more
      refresh_lists && unpack_one "$name" "$path" ||
        { REASON="fetching Debian's $name failed: $(tail -n 1 "$DEBIAN/apt.log")"; return 1; }
    fi
  done
  rm -rf "$DEBIAN"/debs/*.deb
}

# own_fonts: a line of shell that lets a program find the fonts in .tools where the machine has none.
own_fonts() {
  printf '<?xml version="1.0"?>\n<fontconfig><dir>%s</dir><cachedir>%s</cachedir></fontconfig>\n' \
    "$DEBIAN/root/usr/share/fonts" "$DEBIAN/fonts" >"$DEBIAN/fonts.conf"
  printf '[ -f /etc/fonts/fonts.conf ] || export FONTCONFIG_FILE=%q' "$DEBIAN/fonts.conf"
}

# bring NAME PACKAGE PROGRAM [PATH]: make NAME callable, from the machine or from Debian's PACKAGE (see above). A note in
# MISSING says why it could not.
bring() {
  local name=$1 libraries
  command -v "$name" >/dev/null && return
  unpack_debian "$2" "${4-}" || { MISSING+=("$name: $REASON"); return; }
  libraries=$(find "$DEBIAN/root" -name '*.so*' -printf '%h\n' | sort -u | paste -sd :)
  mkdir -p .tools/bin
  printf '#!/bin/sh\nexport LD_LIBRARY_PATH=%q SYSTEMD_UNIT_PATH=%q\n%s\nexec %q "$@"\n' \
    "$libraries" "$DEBIAN/root/lib/systemd/system:" "$(own_fonts)" "$DEBIAN/root/$3" >".tools/bin/$name.new"
  chmod +x ".tools/bin/$name.new" && mv ".tools/bin/$name.new" ".tools/bin/$name"
}

# bring_library NAME HEADER PACKAGE...: have HEADER and the library, on the machine or unpacked in .tools.
bring_library() {
  local name=$1 header=$2 package
  shift 2
  if [ -f "/usr/$header" ] || [ -f "$DEBIAN/root/usr/$header" ]; then return; fi
  for package in "$@"; do
    unpack_debian "$package" || { MISSING+=("$name: $REASON"); return; }
  done
}

bring_tools() {
  MISSING=()
  bring mosquitto mosquitto usr/sbin/mosquitto
  bring mosquitto_passwd mosquitto usr/bin/mosquitto_passwd
  bring mbpoll mbpoll usr/bin/mbpoll
  bring_library libmodbus include/modbus/modbus.h libmodbus5 libmodbus-dev
  command -v gcc >/dev/null || MISSING+=('gcc: install it to build the libmodbus program')
  bring promtool prometheus usr/bin/promtool usr/bin/promtool
  command -v chromium >/dev/null ||                       # its small sister has half as much to bring, and no window
    bring chromium-headless-shell chromium-headless-shell usr/lib/chromium/chromium-headless-shell
  if [ "$(id -u)" -eq 0 ] || [ -d /run/systemd ]; then
    bring systemd-analyze systemd usr/bin/systemd-analyze
  elif ! command -v systemd-analyze >/dev/null; then
    MISSING+=('systemd-analyze: works only as root on a machine that does not run systemd')
  fi
  rm -rf "$DEBIAN"/lists "$DEBIAN"/cache                 # large, and only needed while something is brought
}
