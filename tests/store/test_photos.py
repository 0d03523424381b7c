"""Photos of the round on the disk: kept once, and copied with the store."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from brinewatch.clock import SteppingClock
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.store.backup import back_up_store, newest, restore_store
from brinewatch.store.journal import Journal
from brinewatch.store.photos import BACKUP, Photos
from store.made import BOOT, NOW


def picture(kind: str = "PNG", size: tuple[int, int] = (40, 20), mode: str = "RGB", colour: object = 0) -> bytes:
    out = io.BytesIO()
    Image.new(mode, size, colour).save(out, kind)  # type: ignore[arg-type]
    return out.getvalue()


def test_a_photo_is_kept_once_and_found_by_its_name_alone(tmp_path: Path) -> None:
    photos = Photos(tmp_path)
    name = photos.keep(picture())
    assert photos.keep(picture()) == name
    assert [one.name for one in (tmp_path / "photos").iterdir()] == [name]
    assert photos.path(name) == tmp_path / "photos" / name
    for other in ("", "../journal.sqlite", name.upper(), f"{name}/../{name}", "0" * 40 + ".jpg", f"{name}\n"):
        assert photos.path(other) is None


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "LA", "1", "CMYK"])
def test_every_way_to_hold_colours_is_taken_in(tmp_path: Path, mode: str) -> None:
    kind = "JPEG" if mode == "CMYK" else "PNG"
    path = Photos(tmp_path).path(Photos(tmp_path).keep(picture(kind, (3000, 30), mode)))
    assert path is not None
    with Image.open(path) as made:
        assert (made.format, made.mode, made.size) == ("JPEG", "RGB", (1600, 16))


def test_a_picture_of_more_pixels_than_any_phone_has_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    with pytest.raises(BrinewatchError, match="more than any phone takes"):
        Photos(tmp_path).keep(picture("PNG", (9000, 7000), "1"))


def test_a_disk_that_takes_nothing_is_said(tmp_path: Path) -> None:
    (tmp_path / "photos").write_text("a file where the folder should be")
    with pytest.raises(StoreError, match="The photo cannot be kept"):
        Photos(tmp_path).keep(picture())


async def test_photos_go_with_the_backup_and_come_back(tmp_path: Path) -> None:
    data, disk = tmp_path / "data", tmp_path / "disk"
    disk.mkdir()
    journal = Journal(data / "journal.sqlite", SteppingClock(NOW.utc), boot=BOOT)
    await journal.open()
    await journal.close()
    photos = Photos(data)
    one = photos.keep(picture())
    back_up_store(data, disk, NOW)
    two = photos.keep(picture(colour=(9, 9, 9)))
    back_up_store(data, disk, NOW.later(60))
    assert sorted(path.name for path in (disk / BACKUP).iterdir()) == sorted([one, two])
    folder = newest(disk)
    assert folder is not None
    other = tmp_path / "other"
    restore_store(folder, other, NOW.later(90))
    assert Photos(other).path(one)
    assert Photos(other).path(two)
    # one that the card has spoilt is told, and the rest of the backup stands
    three = photos.keep(picture(colour=(5, 5, 5)))
    (data / "photos" / three).write_bytes(b"spoilt")
    with pytest.raises(StoreError, match="is not what was kept"):
        back_up_store(data, disk, NOW.later(120))
    assert newest(disk) != folder
