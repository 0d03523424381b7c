"""Forms as browsers send them (RFC 7578, RFC 2046 for the boundary), whole, cut off and spoilt."""

from __future__ import annotations

import pytest
from fastapi import HTTPException
from httpx import Request
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.page.multipart import parts_of

# the form of RFC 7578, section 4.2 and 5.1.1, with the CRLF that the text of an RFC leaves to the reader
BODY = (
    b"--AaB03x\r\n"
    b'Content-Disposition: form-data; name="field1"\r\n'
    b"Content-Type: text/plain;charset=UTF-8\r\n"
    b"\r\n"
    b"Joe owes \xe2\x82\xac100.\r\n"
    b"--AaB03x\r\n"
    b'Content-Disposition: form-data; name="photo"; filename="a \xc3\xa4.jpg"\r\n'
    b"Content-Type: image/jpeg\r\n"
    b"\r\n"
    b"\xff\xd8\xff\r\n--AaB03 is no boundary\r\n\r\n\x00\r\n"
    b"--AaB03x--\r\n"
)
PHOTO = b"\xff\xd8\xff\r\n--AaB03 is no boundary\r\n\r\n\x00"


def test_fields_and_files() -> None:
    found = parts_of(BODY, b"AaB03x")
    assert found.fields == {"field1": "Joe owes €100."}
    assert found.files == {"photo": PHOTO}
    assert found.cut == set()


def test_every_cut_gives_what_came_before_it_and_calls_no_piece_of_a_photo_whole() -> None:
    for end in range(len(BODY) - 4):
        found = parts_of(BODY[:end], b"AaB03x")
        assert found.files.get("photo", b"") in PHOTO + b"\r\n--AaB03x-"
        if "photo" in found.files:
            assert found.fields == {"field1": "Joe owes €100."}
            assert found.cut == {"photo"}


@given(body=st.binary(max_size=400), boundary=st.binary(min_size=1, max_size=5))
def test_no_bytes_do_harm(body: bytes, boundary: bytes) -> None:
    found = parts_of(body, boundary)
    assert all(isinstance(text, str) for text in found.fields.values())


@given(
    fields=st.dictionaries(
        st.text("abc.-", min_size=1, max_size=8),
        st.text(st.characters(codec="utf-8", exclude_categories=["Cc"])),
        max_size=6,
    ),
    data=st.binary(min_size=1, max_size=300),
)
def test_what_a_client_library_sends_comes_back(fields: dict[str, str], data: bytes) -> None:
    """Encoded by a library that is not ours."""
    request = Request("POST", "http://shed/", data=fields, files={"photo": ("x.jpg", data, "image/jpeg")})
    boundary = request.headers["content-type"].partition("boundary=")[2].encode()
    found = parts_of(request.read(), boundary)
    assert found.fields == {key: text.strip() for key, text in fields.items()}
    assert found.files == {"photo": data}
    assert found.cut == set()


def test_more_parts_than_any_form_has_are_refused() -> None:
    one = b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n1\r\n'
    with pytest.raises(HTTPException, match="more fields"):
        parts_of(one * 400 + b"--x--\r\n", b"x")
