"""Finds the texts people are sent: English with the program, other languages beside the shed file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from brinewatch.alarms.roster import ENGLISH, Contact
from brinewatch.alarms.texts import Texts, load_texts
from brinewatch.config.reader import Reader
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.settings import key_path, toml_text


def texts_folder() -> Path:
    """Where the texts that come with the program lie."""
    return Path(__file__).parents[1] / "texts"


@cache
def english() -> Texts:
    """The English texts, the measure of all others. BrinewatchError when they are not there."""
    path = texts_folder() / file_of(ENGLISH)
    try:
        text = toml_text(path)
    except OSError as error:
        raise BrinewatchError(f"The texts of the program are not at {path.parent}.", "Install it anew.") from error
    return load_texts(text, path.name, ENGLISH)


def file_of(language: str) -> str:
    return f"texts_{language}.toml"


def texts_of(reader: Reader, folder: Path, contacts: Iterable[Contact]) -> Mapping[str, Texts]:
    """The texts by language: English, and of every contact; one beside the shed file goes before the program's."""
    like = english()
    found = {ENGLISH: like}
    wanted = {ENGLISH: -1, **{one.language: place for place, one in reversed(list(enumerate(contacts)))}}
    for language, place in wanted.items():
        name = file_of(language)
        path = next((base / name for base in (folder, texts_folder()) if (base / name).is_file()), None)
        if path is None:
            here = key_path(("contact", place, "language"))
            reader.fault(here, language, f"{name} beside {reader.path.name}: {texts_folder() / file_of(ENGLISH)} "
                         "in that language")  # fmt: skip
            continue
        if path.parent == texts_folder() and language == ENGLISH:
            continue
        try:
            found[language] = load_texts(toml_text(path), name, language, like)
        except ConfigurationError as error:
            reader.faults += error.faults
        except (OSError, UnicodeDecodeError) as error:
            reader.fault(str(path), None, f"a file that can be read as UTF-8 text ({error})")
    return found
