"""Small pieces of HTML: everything that comes from data goes through `text`, so nothing in it can become markup."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any, Final

STYLE: Final = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 14px/1.4 system-ui, sans-serif; color: #000; background: #fff; margin: 0 auto; padding: 1.2rem;
  max-width: 78rem; }
h1 { font-size: 1.6rem; margin: 0 0 .3rem; } h2 { font-size: 1.15rem; margin: 1.8rem 0 .4rem; break-after: avoid; }
p, ul { margin: .3rem 0 .6rem; max-width: 62rem; } ul { padding-left: 1.2rem; }
a { color: #000; } a:focus-visible, [tabindex]:focus-visible { outline: 3px solid #000; outline-offset: 2px; }
.skip { position: absolute; left: -99rem; } .skip:focus { left: 1rem; top: .5rem; background: #fff; padding: .3rem; }
nav a { margin-right: .9rem; white-space: nowrap; }
.not { border: 3px solid #000; padding: .4rem .8rem; margin: .8rem 0; } .not h2 { margin-top: .2rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .82rem; }
caption { text-align: left; padding: .2rem 0; } thead { display: table-header-group; }
th, td { border: 1px solid #777; padding: .2rem .35rem; text-align: left; vertical-align: top;
  overflow-wrap: break-word; }
thead th { background: #e8e8e8; border-color: #000; } .rows tbody { break-inside: avoid; } tr { break-inside: avoid; }
.n { white-space: nowrap; } .more td { font-size: .92em; border-top-style: dotted; }
.rows > tbody { border-top: 2px solid #000; }
.v { display: inline-block; white-space: nowrap; font-weight: 700; line-height: 1.25; } .held { font-weight: 400; }
.gap { border: 2px dashed #000; padding: 0 .3rem; } .norun { border: 1px dotted #000; padding: 0 .3rem; }
.fails { background: #000; color: #fff; padding: 0 .3rem; -webkit-print-color-adjust: exact;
  print-color-adjust: exact; }
tbody.bad { outline: 3px solid #000; outline-offset: -3px; }
code { font-family: ui-monospace, monospace; font-size: .95em; overflow-wrap: anywhere; }
.n code { overflow-wrap: normal; }
.mem { font-weight: 700; text-decoration: underline; }
.sources dt { margin-top: .6rem; font-weight: 700; } .sources dd { margin: 0 0 0 1.5rem; max-width: 62rem;
  overflow-wrap: anywhere; }
.charts { display: flex; gap: 1.5rem; flex-wrap: wrap; } .charts figure { margin: 0; flex: 1 1 24rem; }
figcaption { font-weight: 700; margin-bottom: .2rem; } svg { width: 100%; height: auto; }
@page { size: A4 landscape; margin: 11mm; }
@media print { body { font-size: 9pt; line-height: 1.25; padding: 0; max-width: none; } table { font-size: 7.5pt; }
  th, td { padding: .1rem .25rem; } h2 { margin-top: 1rem; } nav, .skip { display: none; }
  a { text-decoration: none; } .wide { overflow: visible; } .rows { break-before: page; }
  .charts { flex-wrap: nowrap; break-inside: avoid; }
  .charts svg { max-height: 168mm; } }
"""
_MARKS: Final = {"held": ("held", "held"), "GAP": ("gap", "&#9650; GAP"), "FAILS": ("fails", "&#10006; FAILS")}


def text(value: object) -> str:
    """`value` as escaped text; lists joined by commas, truth as yes and no."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(text(entry) for entry in value) or "none"
    if isinstance(value, float):
        return escape(f"{value:g}")
    return escape(str(value))


def code(values: Iterable[str]) -> str:
    """Names of places in the source, one after the other."""
    return ", ".join(f"<code>{escape(value)}</code>" for value in values)


def verdict(word: str) -> str:
    """A verdict that is told apart by its sign and frame as well as its word."""
    kind, shown = _MARKS.get(word, ("norun", escape(word)))
    return f'<span class="v {kind}">{shown}</span>'


def tagged(tag: str, in_words: str) -> str:
    """How far a source was followed; "from memory" stands out."""
    return f'<span class="mem">{escape(in_words)}</span>' if tag == "memory" else escape(in_words)


def cited(value: str, known: Iterable[Mapping[str, Any]]) -> str:
    """`value` as escaped text, each [@key] of a `known` source leading to where `sources_listed` puts it."""
    html = text(value)
    for source in known:
        reference = text(f"[@{source['key']}]")
        html = html.replace(reference, f'<a href="#source-{text(source["key"])}">{reference}</a>')
    return html


def sources_listed(known: Iterable[Mapping[str, Any]]) -> str:
    """Each source once: key, citation, what was read and what is from memory. `known`: as `shared.sources.cited`."""
    entries = []
    for source in known:
        followed = " ".join(
            f'<span class="{"mem" if words == "from memory" else "n"}">{text(words.capitalize())}:</span> {text(what)}'
            for words, what in source["followed"]
        )
        entries.append(
            f'<dt id="source-{text(source["key"])}"><code>{text(source["key"])}</code> ({text(source["tag"])})</dt>'
            f"<dd>{text(source['citation'])} {followed}</dd>"
        )
    return f'<dl class="sources">{"".join(entries)}</dl>' if entries else "<p>No source is cited by key.</p>"


def listed(lines: Iterable[str]) -> str:
    """A list of plain lines."""
    return "<ul>" + "".join(f"<li>{text(line)}</li>" for line in lines) + "</ul>"


def table(caption: str, headers: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table whose cells are HTML already; it can be scrolled from the keyboard where it is too wide."""
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return framed(caption, headers, f"<tbody>{body}</tbody>")


def framed(caption: str, headers: Sequence[str], bodies: str, kind: str = "") -> str:
    """A table around bodies that are HTML already. `kind`: a class of its own."""
    head = "".join(f'<th scope="col">{text(header)}</th>' for header in headers)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="{kind}">'
        f"<caption>{text(caption)}</caption><thead><tr>{head}</tr></thead>{bodies}</table></div>"
    )


def section(name: str, title: str, content: str) -> str:
    """A part of the page that the list at its head leads to."""
    return f'<section id="{name}"><h2>{text(title)}</h2>{content}</section>'
