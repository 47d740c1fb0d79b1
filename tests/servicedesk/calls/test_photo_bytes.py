"""Photos made to hurt: whatever the bytes, a photo written anew or one sentence, in bounded memory.

The figures of memory stand in `tests/servicedesk/test_large_bodies.py`, measured at a real server.
"""

from __future__ import annotations

import struct
import zlib
from io import BytesIO
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from servicedesk.calls import photo_files
from servicedesk.calls.photo_files import MOST_BYTES, NO_PHOTO, Taken, take_photo
from servicedesk.core.rules.refusals import RuleViolation

SCRIPT = b"<html><script>alert(1)</script></html>"


def picture(kind: str, *, size: tuple[int, int] = (40, 30), orientation: int = 0, **how: Any) -> bytes:
    """Write a small picture."""
    notes = Image.Exif()
    notes[0x010F] = "A maker of cameras"
    if orientation:
        notes[photo_files.ORIENTATION] = orientation
    out = BytesIO()
    Image.effect_noise(size, 60).convert("RGB").save(out, kind, exif=notes, **how)
    return out.getvalue()


PICTURES = {kind: picture(kind, orientation=6) for kind in photo_files.KINDS}


def read(content: bytes) -> Taken | str:
    """Take a photo in, or answer the sentence that refuses it."""
    try:
        return take_photo(BytesIO(content), size=len(content))
    except RuleViolation as refusal:
        return str(refusal)


def check(answer: Taken | str) -> None:
    """See that an answer is a sentence or a JPEG with nothing in it but its pixels."""
    if isinstance(answer, str):
        assert answer == NO_PHOTO or "send a smaller one" in answer
        return
    with Image.open(BytesIO(answer.content)) as made:
        assert (made.format, made.size) == ("JPEG", (answer.width, answer.height))
        assert not made.getexif()
    assert b"<script" not in answer.content
    assert b"maker of cameras" not in answer.content


@settings(max_examples=60)
@given(st.binary(max_size=300))
def test_any_bytes_are_a_photo_or_a_sentence(content: bytes) -> None:
    check(read(content))


@settings(max_examples=150)
@given(
    kind=st.sampled_from(photo_files.KINDS),
    changes=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), max_size=12),
    keep=st.floats(0, 1),
    after=st.binary(max_size=20) | st.just(SCRIPT),
    early=st.booleans(),
)
def test_any_change_of_a_photo_is_a_photo_or_a_sentence(
    kind: str, changes: list[tuple[float, int]], keep: float, after: bytes, early: bool
) -> None:
    content = bytearray(PICTURES[kind])
    reach = 250 if early else len(content)  # what a file says of itself stands at its beginning
    for place, byte in changes:
        content[int(place * min(reach, len(content)))] = byte
    check(
        read(bytes(content[: int(keep * len(content)) + 1]) + after if keep < 1 else bytes(content) + after)
    )


@pytest.mark.parametrize("orientation", [0, 1, 6])
@pytest.mark.parametrize("kind", photo_files.KINDS)
def test_a_photo_cut_short_is_refused(kind: str, orientation: int) -> None:
    whole = picture(kind, orientation=orientation)
    for share in (0.5, 0.75, 0.95):
        assert read(whole[: int(share * len(whole))]) == NO_PHOTO


@settings(max_examples=60)
@given(note=st.binary(max_size=120), kind=st.sampled_from(["JPEG", "WEBP", "PNG"]))
def test_any_note_about_the_camera_leaves_the_photo(note: bytes, kind: str) -> None:
    out = BytesIO()
    Image.new("RGB", (8, 6)).save(out, kind, exif=b"Exif\0\0" + note)
    answer = read(out.getvalue())
    assert isinstance(answer, Taken)
    assert {answer.width, answer.height} == {8, 6}


@pytest.mark.parametrize("kind", photo_files.KINDS)
@pytest.mark.parametrize("orientation", range(9))
def test_photos_are_turned_as_their_notes_say(kind: str, orientation: int) -> None:
    """CIPA DC-008 (Exif 2.32), tag 274, from memory: where the first row and column of the scene lie."""
    image = Image.new("RGB", (64, 32), "white")
    image.paste("black", (0, 0, 16, 16))  # the corner at the beginning of the file
    notes = Image.Exif()
    notes[photo_files.ORIENTATION] = orientation
    out = BytesIO()
    image.save(out, kind, exif=notes)
    answer = read(out.getvalue())
    assert isinstance(answer, Taken)
    where = {2: "right top", 3: "right bottom", 4: "left bottom", 6: "right top", 7: "right bottom"}
    across, down = {8: "left bottom"}.get(orientation, where.get(orientation, "left top")).split()
    assert (answer.width > answer.height) == (orientation < 5)
    with Image.open(BytesIO(answer.content)) as made:
        x = 4 if across == "left" else made.width - 4
        y = 4 if down == "top" else made.height - 4
        assert made.convert("L").getpixel((x, y)) < 60  # type: ignore[operator]
        assert made.convert("L").getpixel((made.width - x, made.height - y)) > 200  # type: ignore[operator]


@pytest.mark.parametrize("kind", photo_files.KINDS)
def test_what_hides_behind_a_photo_is_gone(kind: str) -> None:
    answer = read(PICTURES[kind] + SCRIPT + b"PK\x03\x04")
    assert isinstance(answer, Taken)
    check(answer)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        SCRIPT,
        b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
        b"GIF89a" + SCRIPT,
        b"BM" + b"\0" * 60,
        b"%PDF-1.7",
        b"PK\x03\x04" + b"\0" * 30,
        b"\0\0\0\x18ftypheic" + b"\0" * 30,
        b"8BPS\0\1" + b"\0" * 30,
        b"%!PS-Adobe-3.0 EPSF-3.0\n(%pipe%id) (w) file\n",
        PICTURES["PNG"][:60],
    ],
)
def test_what_is_no_photo_is_told_by_its_content(content: bytes) -> None:
    assert read(content) == NO_PHOTO


def chunk(name: bytes, content: bytes) -> bytes:
    """Write a chunk of a PNG (W3C PNG specification, 5.3)."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def claiming_png(width: int, height: int, *more: bytes) -> bytes:
    """Write a PNG that claims a size; of its pixels nearly nothing is there."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(b"\0" * 100))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + body + chunk(b"IEND", b"")


def claiming_jpeg(width: int, height: int) -> bytes:
    """Write a JPEG whose frame claims a size (ITU-T T.81, B.2.2: marker SOF0, lines before samples)."""
    content = bytearray(picture("JPEG"))
    at = content.index(b"\xff\xc0") + 5
    content[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(content)


@pytest.mark.parametrize(
    "content",
    [
        claiming_png(60_000, 60_000),
        claiming_png(2**31 - 1, 2**31 - 1),
        claiming_png(4_001, 4_000),
        claiming_jpeg(60_000, 60_000),
        claiming_jpeg(10_000, 6_001),
        picture("JPEG", size=(4_001, 4_000), progressive=True),
    ],
)
def test_too_many_pixels_are_refused_undecoded(content: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo_files, "_scaled_down", None)  # nothing gets so far as to be decoded
    assert "million pixels: send a smaller one" in str(read(content))


def test_too_many_bytes_are_refused_unread() -> None:
    with pytest.raises(RuleViolation, match="more than 25 MB"):
        take_photo(None, size=MOST_BYTES + 1)  # type: ignore[arg-type]  # it is not even looked at


def test_packed_notes_in_a_png_are_not_unpacked() -> None:
    bomb = zlib.compress(b"a" * 50_000_000)
    for name, start in ((b"zTXt", b"c\0\0"), (b"iCCP", b"p\0\0"), (b"iTXt", b"c\0\1\0\0\0")):
        check(read(claiming_png(2, 2, *[chunk(name, start + bomb)] * 20)))


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_of_many_frames_only_the_first_is_taken(kind: str) -> None:
    frames = [Image.new("RGB", (64, 64), (0, 0, number % 250)) for number in range(2_000)]
    out = BytesIO()
    frames[0].save(out, kind, save_all=True, append_images=frames[1:], duration=1)
    answer = read(out.getvalue())
    assert isinstance(answer, Taken)
    with Image.open(BytesIO(answer.content)) as made:
        assert getattr(made, "n_frames", 1) == 1
