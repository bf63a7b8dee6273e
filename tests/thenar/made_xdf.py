"""Writes XDF files byte by byte, as the open specification of XDF 1.0 has it (github.com/sccn/xdf, wiki)."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_BOUNDARY = bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4")
_FORMATS = {"double64": "<f8", "float32": "<f4", "int32": "<i4", "int16": "<i2"}


class MadeStream(NamedTuple):
    """One stream. `values`: shape (n, channels); `offsets`: (collection time, clock offset) in s."""

    name: str
    t_s: NDArray[np.float64]
    values: NDArray[np.float64]
    rate_Hz: float = 0.0
    labels: Sequence[str] = ()
    offsets: Sequence[tuple[float, float]] = ()
    channel_format: str = "double64"


def chunk(tag: int, content: bytes) -> bytes:
    """One chunk: its length in the shortest of the allowed sizes, its tag, its content."""
    length = len(content) + 2
    size = struct.pack("<BB", 1, length) if length < 256 else struct.pack("<BI", 4, length)
    return size + struct.pack("<H", tag) + content


def header(number: int, stream: MadeStream) -> bytes:
    """The StreamHeader chunk."""
    channels = "".join(f"<channel><label>{label}</label></channel>" for label in stream.labels)
    described = f"<desc><channels>{channels}</channels></desc>" if channels else "<desc />"
    xml = (
        f"<?xml version='1.0'?><info><name>{stream.name}</name><type>Force</type>"
        f"<channel_count>{stream.values.shape[1]}</channel_count><nominal_srate>{stream.rate_Hz}</nominal_srate>"
        f"<channel_format>{stream.channel_format}</channel_format>{described}</info>"
    )
    return chunk(2, struct.pack("<I", number) + xml.encode())


def samples(number: int, stream: MadeStream) -> bytes:
    """One Samples chunk with a time stamp for every sample."""
    rows = stream.values.astype(_FORMATS[stream.channel_format])
    body = b"".join(b"\x08" + struct.pack("<d", at) + row.tobytes() for at, row in zip(stream.t_s, rows, strict=True))
    return chunk(3, struct.pack("<I", number) + struct.pack("<BI", 4, len(rows)) + body)


def xdf(streams: Sequence[MadeStream], date: str = "2026-11-03T10:00:00+0100") -> bytes:
    """A whole file."""
    parts = [
        b"XDF:",
        chunk(1, f"<?xml version='1.0'?><info><version>1.0</version><datetime>{date}</datetime></info>".encode()),
    ]
    for number, stream in enumerate(streams, 1):
        parts.append(header(number, stream))
    for number, stream in enumerate(streams, 1):
        parts += [samples(number, stream), chunk(5, _BOUNDARY)]
        parts += [chunk(4, struct.pack("<Idd", number, *offset)) for offset in stream.offsets]
        parts.append(chunk(6, struct.pack("<I", number) + b"<?xml version='1.0'?><info></info>"))
    return b"".join(parts)
