"""Walking over the chunks of an XDF file, to know before reading it how far it is whole.

Layout: "XDF:", then chunks of [bytes of length: 1, 4 or 8][length][tag: 2 bytes][content]; tags 1 file header, 2 stream
header, 3 samples, 4 clock offset, 5 boundary, 6 stream footer (XDF 1.0, github.com/sccn/xdf, wiki, "Specifications").
"""

from __future__ import annotations

from typing import Final, NamedTuple
from xml.etree import ElementTree as Xml

MAGIC: Final = b"XDF:"
_FILE_HEADER, _HEADER, _SAMPLES, _OFFSET, _BOUNDARY, _FOOTER = 1, 2, 3, 4, 5, 6
_BYTES: Final = {"double64": 8, "float32": 4, "int64": 8, "int32": 4, "int16": 2, "int8": 1, "string": 2}
_CLOCK_BYTES: Final = 22
_MOST_CHANNELS: Final = 100_000


class _Stream(NamedTuple):
    channels: int
    bytes_each: int
    text: bool


def undamaged(content: bytes) -> tuple[int, str]:
    """How many bytes from the start form whole chunks, and what is wrong with the next one ("" when all are whole)."""
    if content[:4] != MAGIC:
        return 0, "no XDF file: it doesn't begin with 'XDF:'"
    place, streams = 4, dict[int, _Stream]()
    while place < len(content):
        length, after = _number(content, place)
        if length < 2 or after + length > len(content):
            return place, "the file ends inside a chunk" if length != 0 else "a chunk without a length"
        wrong = _wrong(content[after : after + length], streams)
        if wrong:
            return place, wrong
        place = after + length
    return place, ""


def _number(content: bytes, place: int) -> tuple[int, int]:
    """A number of varying length at `place` and the place after it; 0 for none."""
    size = content[place] if place < len(content) else 0
    if size not in {1, 4, 8} or place + 1 + size > len(content):
        return (0 if size not in {1, 4, 8} else 1), place
    return int.from_bytes(content[place + 1 : place + 1 + size], "little"), place + 1 + size


def _wrong(chunk: bytes, streams: dict[int, _Stream]) -> str:
    """What is wrong with one chunk (tag and content), "" when nothing is. Notes the stream of a header."""
    tag = int.from_bytes(chunk[:2], "little")
    if tag in {_FILE_HEADER, _BOUNDARY}:
        return _wrong_xml(chunk[2:]) if tag == _FILE_HEADER else ""
    if tag not in {_HEADER, _SAMPLES, _OFFSET, _FOOTER} or len(chunk) < 6:
        return f"a chunk of kind {tag} in {len(chunk)} bytes"
    stream = int.from_bytes(chunk[2:6], "little")
    if tag == _HEADER:
        return _note(chunk[6:], stream, streams)
    if stream not in streams:
        return f"a chunk of stream {stream}, which has no header"
    return _wrong_of_stream(chunk, tag, streams[stream])


def _wrong_of_stream(chunk: bytes, tag: int, stream: _Stream) -> str:
    if tag == _OFFSET:
        return "" if len(chunk) == _CLOCK_BYTES else "a clock offset of a wrong length"
    return _wrong_xml(chunk[6:]) if tag == _FOOTER else _wrong_samples(chunk, stream)


def _wrong_xml(text: bytes) -> str:
    try:
        Xml.fromstring(text)  # noqa: S314 - expat since 2.4 bounds the growth of entities; nothing else is resolved
    except (Xml.ParseError, ValueError, LookupError) as error:
        return f"a header or footer that is no XML ({error})"
    return ""


def _note(text: bytes, stream: int, streams: dict[int, _Stream]) -> str:
    try:
        info = Xml.fromstring(text.decode("utf-8", "replace"))  # noqa: S314 - as above
        channels, words = int(info.findtext("channel_count") or ""), info.findtext("channel_format") or ""
        rate = float(info.findtext("nominal_srate") or "")
    except (Xml.ParseError, ValueError, LookupError) as error:
        return f"a stream header that can't be read ({error})"
    if words not in _BYTES or not 1 <= channels <= _MOST_CHANNELS or not 0.0 <= rate < 1.0e9:
        return f"a stream header of {channels} channels of {words!r} at {rate:g} Hz"
    if info.findtext("name") is None:
        return "a stream header without a name"
    streams[stream] = _Stream(channels, _BYTES[words], words == "string")
    return ""


def _wrong_samples(chunk: bytes, stream: _Stream) -> str:
    """Does the number of samples go with the chunk's length: each has 1 or 9 bytes of time, then its values."""
    count, after = _number(chunk, 6)
    if after == 6:
        return "a chunk of samples without their number"
    least = 1 + stream.channels * stream.bytes_each
    left = len(chunk) - after
    if count * least > left or (not stream.text and left > count * (least + 8)):
        return f"a chunk of {count:,} samples in {left:,} bytes"
    return "" if stream.text else _wrong_stamps(chunk, after, count, least - 1)


def _wrong_stamps(chunk: bytes, place: int, count: int, values: int) -> str:
    """Each sample begins with 0 (no time stamp) or 8 (bytes of one); together they fill the chunk."""
    for _ in range(count):
        size = chunk[place]
        if size not in {0, 8}:
            return f"a time stamp of {size} bytes"
        place += 1 + size + values
        if place > len(chunk):
            return "a sample beyond the end of its chunk"
    return "" if place == len(chunk) else "bytes after the last sample of a chunk"
