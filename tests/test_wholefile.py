"""A file is there whole or as it was."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.wholefile import write_whole


def test_a_file_is_replaced_whole_and_kept_from_others(tmp_path: Path) -> None:
    file = tmp_path / "one.json"
    for text in (b"first", b"second"):
        write_whole(file, text)
        assert file.read_bytes() == text
    assert file.stat().st_mode & 0o777 == 0o640
    assert [one.name for one in tmp_path.iterdir()] == ["one.json"]


def test_what_cannot_be_written_leaves_what_was_there(tmp_path: Path) -> None:
    file = tmp_path / "one.json"
    write_whole(file, b"as it was")
    (tmp_path / ".one.json.part").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_whole(file, b"new")
    assert file.read_bytes() == b"as it was"
    with pytest.raises(FileNotFoundError):
        write_whole(tmp_path / "nowhere" / "one.json", b"new")
