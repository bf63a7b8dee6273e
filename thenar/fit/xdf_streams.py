"""Reading XDF: named streams, each with the clock corrections that the file holds for it.

pyxdf does the clock synchronisation and evens out the time stamps of streams with a constant rate. What a damaged file
would make it do (skip, or reserve memory for samples that aren't there) is found first, by walking over the chunks
as the open specification of XDF 1.0 lays them out (github.com/sccn/xdf, wiki, "Specifications").
"""

from __future__ import annotations

import io
import logging
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from thenar.fit.on_record import date_of
from thenar.fit.raw import Block, Raw, mend_with
from thenar.fit.recording import TIME_COLUMN
from thenar.fit.xdf_chunks import undamaged
from thenar.shared.errors import InputError, Problem, nearest, shown

DAMAGED: Final = "drop-damaged-end"
TRUST_CLOCKS: Final = "trust-clocks"
_SHOWN_STREAMS: Final = 6


def read_xdf(raw: Raw, content: bytes, wanted: Mapping[str, str]) -> None:
    """Put the wanted streams of `content` into `raw`. `wanted`: our column to STREAM or STREAM:CHANNEL.

    A stream or channel that is called as one of our columns is taken for it. Raises InputError for no readable XDF.
    """
    if not raw.kind.timed:
        found, allowed = "an XDF file", f"CSV or Parquet: a {raw.kind.name} recording has one row per step and no clock"
        raise InputError([Problem(raw.file, "", found, allowed)])
    whole, damage = undamaged(content)
    if damage and raw.asks(DAMAGED):
        raw.mended.append(f"{DAMAGED}: {len(content) - whole:,} bytes from byte {whole:,} on left out: {damage}")
    elif damage:
        allowed = f"a whole XDF file; {mend_with(DAMAGED)} to read what comes before"
        raise InputError([Problem(raw.file, f"byte {whole}", damage, allowed)])
    streams, header = _loaded(raw.file, content[:whole])
    _note_date(raw, header)
    _take(raw, streams, _matched(raw, streams, wanted))


def _loaded(file: str, content: bytes) -> tuple[list[Any], Any]:
    import pyxdf

    logger = logging.getLogger("pyxdf")
    before = logger.disabled
    logger.disabled = True
    child = logging.getLogger("pyxdf.pyxdf")
    child_before, child.disabled = child.disabled, True
    try:
        streams, header = pyxdf.load_xdf(io.BytesIO(content))
    except Exception as error:  # noqa: BLE001 - a reader of foreign bytes fails in many ways; each means the same here
        what = f"no readable XDF: {shown(str(error) or type(error).__name__)}"
        raise InputError([Problem(file, "", what, "a whole XDF 1.0 file")]) from None
    finally:
        logger.disabled, child.disabled = before, child_before
    return list(streams), header


def _note_date(raw: Raw, header: Any) -> None:
    """The date in the file's header, when it can be read; recorders write it each their own way."""
    try:
        raw.dates.append(date_of(str(header["info"]["datetime"][0])))
    except (KeyError, IndexError, TypeError, ValueError):
        return


def _name(stream: Any) -> str:
    return str((stream["info"].get("name") or [""])[0])


def _labels(stream: Any) -> list[str]:
    """Labels of the stream's channels, "" where none is stated."""
    count = int(stream["info"]["channel_count"][0])
    labels = [""] * count
    try:
        stated = stream["info"]["desc"][0]["channels"][0]["channel"]
        for place, channel in enumerate(stated[:count]):
            labels[place] = str((channel.get("label") or [""])[0] or "")
    except (KeyError, IndexError, TypeError, AttributeError):
        pass
    return labels


def _matched(raw: Raw, streams: Sequence[Any], wanted: Mapping[str, str]) -> dict[str, tuple[int, int]]:
    """Our columns to (stream, channel), both counted from 0. What can't be matched is told."""
    found: dict[str, tuple[int, int]] = {}
    for name in raw.kind.names:
        if name == TIME_COLUMN:
            if name in wanted:
                raw.say(f"--stream {name}", shown(wanted[name]), "no stream: every stream has its own time stamps")
            continue
        if name in wanted:
            place = _asked(raw, streams, name, wanted[name])
            if place is not None:
                found[name] = place
                raw.mended.append(f"{name} was read from {wanted[name]}, as asked")
            continue
        place = _called(streams, name)
        if place is not None:
            found[name] = place
        elif raw.kind.column(name).needed:
            allowed = f"--stream {name}=STREAM[:CHANNEL] with one of {_listed(streams)}"
            raw.say(f"column {name}", "no stream of this name", allowed, nearest(name, [_name(one) for one in streams]))
    return found


def _called(streams: Sequence[Any], name: str) -> tuple[int, int] | None:
    """The one stream, else the one channel, that is called `name`."""
    single = [(at, 0) for at, one in enumerate(streams) if _name(one) == name and len(_labels(one)) == 1]
    places = single or [
        (at, ch) for at, one in enumerate(streams) for ch, label in enumerate(_labels(one)) if label == name
    ]
    return places[0] if len(places) == 1 else None


def _asked(raw: Raw, streams: Sequence[Any], name: str, asked: str) -> tuple[int, int] | None:
    """The stream and channel that `asked` names, or None with the problem told."""
    names = [_name(one) for one in streams]
    whole, channel = (asked, "") if asked in names else _split(asked)
    key = f"--stream {name}"
    if names.count(whole) != 1:
        some = f"{names.count(whole)} streams called {shown(whole)}" if whole in names else f"no stream {shown(whole)}"
        raw.say(key, some, f"one of {_listed(streams)}", nearest(whole, names))
        return None
    at = names.index(whole)
    labels = _labels(streams[at])
    if not channel and len(labels) == 1:
        return at, 0
    if labels.count(channel) == 1:
        return at, labels.index(channel)
    if channel.isdecimal() and 1 <= int(channel) <= len(labels):
        return at, int(channel) - 1
    known = [f"{place} {label}".strip() for place, label in enumerate(labels, 1)]
    shown_channel = f"no channel {shown(channel)}" if channel else f"{len(labels)} channels and none named"
    raw.say(key, shown_channel, f"{whole}:CHANNEL with one of {', '.join(known[:16])}", nearest(channel, labels))
    return None


def _split(asked: str) -> tuple[str, str]:
    stream, _, channel = asked.rpartition(":")
    return (stream, channel) if stream else (asked, "")


def _listed(streams: Sequence[Any]) -> str:
    some = [f"{_name(one)} ({len(_labels(one))} ch)" for one in streams[:_SHOWN_STREAMS]]
    more = len(streams) - len(some)
    return (", ".join(some) or "no stream at all") + (f" and {more} more" if more else "")


def _take(raw: Raw, streams: Sequence[Any], places: Mapping[str, tuple[int, int]]) -> None:
    """One block per stream that is used, its time stamps beginning where the earliest of all begins."""
    used = sorted({at for at, _ in places.values()})
    starts = [float(streams[at]["time_stamps"].min()) for at in used if len(streams[at]["time_stamps"])]
    for at in used:
        stream = streams[at]
        stamps = np.asarray(stream["time_stamps"], dtype=np.float64) - min(starts, default=0.0)
        block = Block(_name(stream), "sample", np.arange(1, stamps.size + 1), {TIME_COLUMN: stamps})
        for name, (where, channel) in places.items():
            if where == at:
                _number(raw, block, name, stream["time_series"], channel)
        raw.blocks.append(block)
        raw.rows += block.rows
    unsure = [_name(streams[at]) for at in used if not len(streams[at]["clock_times"])]
    if len(used) > 1 and unsure and raw.asks(TRUST_CLOCKS):
        raw.mended.append(
            f"{TRUST_CLOCKS}: no clock corrections for {', '.join(unsure)}; their stamps taken as they are"
        )
    elif len(used) > 1 and unsure:
        found = f"no clock corrections for {', '.join(unsure)}"
        raw.say("streams", found, f"clock offsets in the file, or --repair {TRUST_CLOCKS} if one computer stamped all")


def _number(raw: Raw, block: Block, name: str, series: Any, channel: int) -> None:
    if not isinstance(series, np.ndarray):
        raw.say(block.key(name), "a stream of text", "a stream of numbers")
        return
    values = np.array(series[:, channel], dtype=np.float64)
    raw.put(block, name, values, np.isnan(values))
