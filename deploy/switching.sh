# From one version to another and back. Sourced by installing.sh.

# schema_known VERSION / schema_of_files: the numbers of journal and history, "J H"
schema_known() {
  "$opt/$1/bin/python" -c 'from brinewatch.store.journal_tables import JOURNAL
from brinewatch.store.schema import HISTORY
print(len(JOURNAL), len(HISTORY))'
}
schema_of_files() {
  "$opt/$version/bin/python" - "$data" <<'PY'
import sqlite3, sys
from pathlib import Path
found = []
for name in ("journal.sqlite", "history.sqlite"):
    path = Path(sys.argv[1]) / name
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) if path.exists() else sqlite3.connect(":memory:") as db:
        found.append(db.execute("PRAGMA user_version").fetchone()[0])
print(*found)
PY
}

point_at() {
  ln -sfn "$1" "$opt/current.new"
  mv -T "$opt/current.new" "$opt/current"
}

# Whether the service came up (READY, so its first round was good) and is the same process 10 s later.
becomes_well() {
  local until=$((SECONDS + wait_s)) first=''
  systemctl restart --no-block "$unit.service" || return 1
  sleep 1
  while [ $SECONDS -lt $until ]; do
    if [ "$(systemctl show -P ActiveState "$unit.service")" = active ]; then
      first=$(systemctl show -P MainPID "$unit.service")
      sleep 10
      [ "$(systemctl show -P MainPID "$unit.service")" = "$first" ] &&
        [ "$(systemctl show -P ActiveState "$unit.service")" = active ] && return 0
    fi
    sleep 1
  done
  return 1
}

# A copy of the store where the new version writes files the old one cannot read.
keep_store() {
  kept=''
  [ -f "$data/journal.sqlite" ] || return 0
  [ "$(schema_known "$version")" != "$(schema_of_files)" ] || return 0
  local need free
  need=$(du -sk "$data" | cut -f1) free=$(df -k --output=avail "$data" | tail -n 1)
  [ "$free" -gt $((need + 102400)) ] ||
    fail "this version changes the store's format, and there is no room in $data for a copy to go back to ($need kB)"
  kept=$data/before-$version
  say "Keeping a copy of the store in $kept: this version changes its format."
  rm -rf "$kept.new" "$kept"
  mkdir -m 750 "$kept.new"
  cp -a "$data"/journal.sqlite* "$data"/history.sqlite* "$kept.new/" 2>/dev/null || true
  mv "$kept.new" "$kept"
}

# Back to the copy; what the new version wrote is set aside, not deleted.
give_store_back() {
  [ -n "$kept" ] || return 0
  local aside=$data/rolled-back-$version
  mkdir -p -m 750 "$aside"
  mv "$data"/journal.sqlite* "$data"/history.sqlite* "$aside/" 2>/dev/null || true
  mv "$kept"/* "$data/" && rmdir "$kept"
  chown -R brinewatch:brinewatch "$data"
  say "The store is as it was before; what $version wrote lies in $aside."
}

switch_version() {
  local before='' other
  [ ! -L "$opt/current" ] || before=$(readlink "$opt/current")
  if ! systemd_runs || [ ! -f "$etc/$settings" ]; then
    point_at "$version"
    inside systemctl enable "$unit.service" >/dev/null 2>&1 || true
    [ -f "$etc/$settings" ] || {
      say "Installed brinewatch $version; nothing is watched yet."
      say "  cp /etc/brinewatch/$settings.example /etc/brinewatch/$settings    and change it to what is there"
      say "  sudo brinewatch check /etc/brinewatch/$settings                   until nothing is wrong"
      say "  sudo bash deploy/install                                          once more: it starts the service"
    }
    return 0
  fi
  "$opt/$version/bin/brinewatch" $([ "$unit" = brinewatch ] && echo check --no-probes || echo lookout --check) \
    "$etc/$settings" || fail "version $version does not take /etc/brinewatch/$settings as it is; ${before:-nothing} goes on running"
  data=$("$opt/$version/bin/python" -c 'import sys
from pathlib import Path
from brinewatch.config.lookout import read_any
print(read_any(Path(sys.argv[1])).data)' "$etc/$settings")
  [ "$data" = "$state" ] || fail "store.folder in /etc/brinewatch/$settings must be \"$state\": the service may write there alone"
  if [ "$before" = "$version" ] && systemctl is-active --quiet "$unit.service"; then
    systemctl enable --quiet "$unit.service"
    say "brinewatch $version is installed and running; nothing to do."
    return 0
  fi
  say "Starting brinewatch $version ..."
  systemctl stop "$unit.service"
  keep_store
  point_at "$version"
  systemctl enable --quiet "$unit.service"
  if becomes_well; then
    say "brinewatch $version watches: $(systemctl show -P StatusText "$unit.service")"
    for other in "$opt"/*-????????; do
      case ${other##*/} in "$version" | "$before") ;; *) rm -rf "$other" ;; esac
    done
    return 0
  fi
  journalctl -q --no-pager -n 20 -u "$unit.service" >&2 || true
  if [ -z "$before" ] || [ "$before" = "$version" ]; then
    fail "brinewatch $version did not become well within $wait_s s; the lines above say why. It is tried again for ever."
  fi
  say "brinewatch $version did not become well within $wait_s s: going back to $before."
  systemctl stop "$unit.service"
  give_store_back
  point_at "$before"
  becomes_well || fail "$before did not become well either. Look at: journalctl -u $unit"
  fail "rolled back: $before watches as before. The lines above say what was wrong with $version."
}
