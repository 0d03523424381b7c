# The steps of deploy/install, in their order. Sourced, not run; expects here, bundle, root, wait_s, unit, settings.

opt=$root/opt/brinewatch etc=$root/etc/brinewatch
state=$root/var/lib/$unit units=$root/etc/systemd/system

# Whether a service manager runs that is to be told; not in an image that is being made.
systemd_runs() { [ -z "$root" ] && [ -d /run/systemd/system ]; }

# Commands for the tree that is installed into.
inside() { if [ -n "$root" ]; then chroot "$root" "$@"; else "$@"; fi; }

# put MODE FILE TARGET: written only when it differs, so that a repeat changes nothing; says what it wrote.
put() {
  cmp -s "$2" "$3" && [ "$(stat -c %a "$3")" = "$1" ] && return 0
  install -D -m "$1" "$2" "$3"
  say "  wrote ${3#"$root"}"
}

check_bundle() {
  [ -f "$bundle/SHA256SUMS" ] || fail "$bundle is no bundle: it has no SHA256SUMS. Unpack what deploy/bundle made."
  (cd "$bundle" && sha256sum --quiet --strict -c SHA256SUMS) ||
    fail "files of the bundle are not what they were when it was made; copy it again"
  (cd "$bundle" && find . -type f ! -name SHA256SUMS | sort) |
    diff -q - <(cut -c67- "$bundle/SHA256SUMS" | sort) >/dev/null ||
    fail "the bundle holds files that SHA256SUMS does not name; unpack it anew into an empty folder"
}

wanted_packages() {
  [ -z "$root" ] || return 0
  local packages=(python3 python3-venv)
  install_packages "${packages[@]}" ||
    fail "needs the packages ${packages[*]}; without a net, install them before: apt-get install ${packages[*]}"
}

make_user() {
  local group
  for group in brinewatch dialout gpio; do
    inside getent group "$group" >/dev/null || { inside groupadd --system "$group"; say "  made the group $group"; }
  done
  inside getent passwd brinewatch >/dev/null || {
    inside useradd --system --gid brinewatch --home-dir /var/lib/brinewatch --no-create-home \
      --shell /usr/sbin/nologin --comment "Watch of a seawater shed" brinewatch
    say "  made the user brinewatch"
  }
}

# What is installed: the version's number and what it was made from, so that no two builds share a folder.
version_key() {
  local number from
  if [ -n "$bundle" ]; then
    number=$(cat "$bundle/VERSION") from=$(cksum <"$bundle/SHA256SUMS")
  else
    number=$(sed -n 's/^__version__ = "\(.*\)"/\1/p' "$here/daemon/brinewatch/__init__.py")
    from=$(cd "$here" && find daemon rules deploy pyproject.toml -type f ! -path '*/__pycache__/*' -print0 |
      LC_ALL=C sort -z | xargs -0 cat | cksum)
  fi
  printf '%s-%08x' "$number" "${from%% *}"
}

# A virtual environment in its final place (it cannot be moved later); it counts once `complete` is in it.
build_version() {
  local python
  version=$(version_key)
  [ -f "$opt/$version/complete" ] && return 0
  say "Building brinewatch $version in /opt/brinewatch (some minutes on a Raspberry Pi) ..."
  rm -rf "${opt:?}/$version"
  python=$(if [ -n "$root" ]; then echo /usr/bin/python3; else find_python; fi) ||
    fail "no Python from 3.11 to 3.13 found: apt-get install python3"
  mkdir -p "$opt"
  inside "$python" -m venv "/opt/brinewatch/$version" || fail "cannot make a virtual environment with $python"
  local how=(--quiet --disable-pip-version-check --no-cache-dir)
  if [ -n "$bundle" ]; then
    local seen=$bundle
    if [ -n "$root" ]; then  # to be seen from within the tree
      seen=/tmp/brinewatch-bundle
      rm -rf "$root$seen"
      cp -r "$bundle" "$root$seen"
    fi
    inside "/opt/brinewatch/$version/bin/python" -m pip install "${how[@]}" --isolated --no-index \
      --find-links "$seen/wheels" --require-hashes -r "$seen/requirements.txt" ||
      fail "the bundle does not fit this machine (made for: $(cat "$bundle/FOR")); nothing was changed"
    [ -z "$root" ] || rm -rf "$root$seen"
  else
    [ -z "$root" ] || fail "--root needs --bundle: what is installed into a tree comes without a net"
    { install_pinned "$opt/$version/bin/python" gpio,photos,series --quiet --no-cache-dir &&
      "$opt/$version/bin/python" -m pip install "${how[@]}" --no-deps --no-build-isolation --no-index "$here"; } ||
      fail "the Python packages could not be installed; nothing was changed. Is there a net?"
  fi
  mkdir -p "$opt/$version/share"
  cp -r "$here/deploy/guides" "$here/deploy/examples" "$here"/deploy/*.md "$opt/$version/share/"
  inside "/opt/brinewatch/$version/bin/python" -m compileall -q "/opt/brinewatch/$version/lib" >/dev/null 2>&1 || true
  chown -R root:root "$opt/$version"
  chmod -R go-w,a+rX "$opt/$version"
  touch "$opt/$version/complete"
}

write_files() {
  put 644 "$here/deploy/systemd/$unit.service" "$units/$unit.service"
  put 644 "$here/deploy/systemd/hardening.conf" "$units/$unit.service.d/hardening.conf"
  put 644 "$here/deploy/systemd/journald.conf" "$root/etc/systemd/journald.conf.d/brinewatch.conf"
  put 644 "$here/deploy/udev/60-brinewatch.rules" "$root/etc/udev/rules.d/60-brinewatch.rules"
  install -d -m 750 "$etc" && inside chown root:brinewatch /etc/brinewatch
  install -d -m 700 "$etc/secrets"
  install -d -m 755 "$root/usr/local/bin"
  ln -sfn /opt/brinewatch/current/bin/brinewatch "$root/usr/local/bin/brinewatch"
  systemd_runs || return 0
  systemctl daemon-reload
  systemctl try-restart systemd-journald.service || true
  if command -v udevadm >/dev/null; then udevadm control --reload 2>/dev/null && udevadm trigger -s tty -s gpio || true; fi
}

# Settings are the keeper's: written once, as an example to change, and never again.
write_settings() {
  local example=$etc/$settings.example
  sed "s|^folder = .*|folder = \"/var/lib/$unit\"         # the service may write here alone|" \
    "$here/deploy/examples/$settings" >"$example.new"
  put 640 "$example.new" "$example"
  rm -f "$example.new"
  inside chown root:brinewatch "/etc/brinewatch/$settings.example"
  [ ! -f "$etc/$settings" ] || inside chown root:brinewatch "/etc/brinewatch/$settings"
  [ ! -f "$etc/$settings" ] || chmod 640 "$etc/$settings"
}

take_away() {
  if systemd_runs; then
    systemctl disable --now "$unit.service" 2>/dev/null || true
  fi
  rm -rf "$units/$unit.service" "$units/$unit.service.d" "$units/multi-user.target.wants/$unit.service"
  if ! ls "$units"/brinewatch*.service >/dev/null 2>&1; then
    rm -rf "$root/etc/systemd/journald.conf.d/brinewatch.conf" "$root/etc/udev/rules.d/60-brinewatch.rules" \
      "$root/usr/local/bin/brinewatch" "$opt"
  fi
  systemd_runs && systemctl daemon-reload
  say "Removed. Kept: /etc/brinewatch (settings, secrets), ${state#"$root"} (journal, history) and the user brinewatch."
  say "To delete them too: rm -r /etc/brinewatch ${state#"$root"}; userdel brinewatch"
}

. "$here/deploy/switching.sh"
