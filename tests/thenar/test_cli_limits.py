"""`thenar limits`: every bound with its source, what can bind, and the figures, on a screen or as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import thenar.safety.profile
from thenar.caution import SHORT
from thenar.cli import main
from thenar.safety.binding import RULES
from thenar.safety.profile import load_profile, shipped_profiles

REASON = "pilot hands of the bench are strong"


def told(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """What `thenar limits` prints."""
    assert main(["limits", *arguments]) == 0
    return capsys.readouterr().out


def told_json(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """What `thenar limits --json` prints, read back."""
    found: dict[str, Any] = json.loads(told([*arguments, "--json"], capsys))
    return found


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal in which no row is wrapped, whatever runs the tests."""
    monkeypatch.setenv("COLUMNS", "200")


def own_profile(folder: Path) -> str:
    """A file with a looser agonist peak and a smaller agonist pad than the forearm's."""
    shipped = Path(thenar.safety.profile.__file__).parent / "profiles" / "forearm-25cm2.toml"
    text = shipped.read_text("utf-8").replace('name = "forearm-25cm2"', 'name = "pilot"\nbased_on = "forearm-25cm2"')
    text = text.replace("peak_mA = { value = 40.0,", f'peak_mA = {{ value = 45.0, reason = "{REASON}",', 1)
    text = text.replace("pad_area_cm2 = { value = 25.0", "pad_area_cm2 = { value = 8.0", 1)
    (folder / "pilot.toml").write_text(text, "utf-8")
    return str(folder / "pilot.toml")


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_bound_is_told_with_requirement_hard_range_source_and_tag(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = told([name], capsys).splitlines()
    words = {"seen": "[seen]", "memory": "[from memory]", "own": "[ours]", "derived": "[derived]"}
    profile = load_profile(name)
    alike = profile.agonist == profile.antagonist
    for dotted, bound, hard in profile.bounds():
        where, _, key = dotted.partition(".")
        if alike and where == "antagonist":
            continue
        column = "both channels" if alike and where == "agonist" else where
        (at,) = [n for n, line in enumerate(lines) if line.split()[:1] == [key] and line.endswith(f" {column}")]
        assert f"{bound.value:g}" in lines[at].split()
        assert f"hard {hard.low:g} to {hard.high:g}" in lines[at]
        told_below = " ".join(" ".join(lines[at + 1 : at + 4]).split())
        assert told_below.startswith(f"{hard.means} source: {' '.join(bound.source.split())} {words[bound.tag]}")
        assert any(line.startswith(f"{hard.rule}  ") for line in lines[:at])


@pytest.mark.parametrize("name", shipped_profiles())
def test_the_screen_fits_a_hundred_columns_and_ends_with_the_caution(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    screen = told([name], capsys)
    assert max(len(line) for line in screen.splitlines()) <= 100
    assert " ".join(screen.split()).endswith(SHORT)
    assert "\x1b" not in screen


def test_backstops_are_told_as_such_with_what_is_reachable(capsys: pytest.CaptureFixture[str]) -> None:
    lines = [line.split() for line in told(["forearm-25cm2"], capsys).splitlines()]
    rows = {line[0]: line for line in lines if line and line[0] in RULES and line[1:2] and "_" in line[1]}
    assert set(rows) == set(RULES)
    for name, reach, bound in (("R12", "7.07", "10"), ("R14", "0.48", "2"), ("R15", "0.000998", "0.05")):
        assert rows[name][2:] == [reach, bound, "backstop:", "can't", "bind", "R06,", "R09"]
    assert rows["R16"][2:7] == ["1.25", "5", "backstop:", "can't", "bind"]
    assert rows["R06"][4] == rows["R09"][4] == "binds"
    assert rows["R17"][4:8] == ["binds", "above", "3000", "ohm"]


def test_the_bound_met_first_is_told_by_width(capsys: pytest.CaptureFixture[str]) -> None:
    screen = " ".join(told(["forearm-25cm2"], capsys).split())
    assert "50 to 300 us R06 Peak current per channel 40 mA" in screen
    assert "301 to 400 us R09 Charge per phase 39.87 to 30 mA" in screen


def test_figures_into_three_loads_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    screen = " ".join(told(["forearm-25cm2"], capsys).split())
    for words in (
        "500 ohm 2,000 ohm 10,000 ohm",
        "peak current reachable mA 40 40 12",
        "charge per phase uC 12 12 4.8",
        "charge density, whole pad uC/cm2 0.48 0.48 0.192",
        "RMS current mA 6.93 6.93 2.4",
        "average rectified current mA 1.2 1.2 0.48",
        "RMS current density, 50 % touching mA/cm2 0.554 0.554 0.192",
        "power density, whole pad W/cm2 0.00096 0.00384 0.0023",
        "energy of a pulse mJ 0.48 1.92 1.15",
        "voltage needed V 20 80 120",
        "not validated for skin",
    ):
        assert words in screen, words


def test_a_loosened_bound_is_told_beside_it_and_channels_are_told_apart_where_they_differ(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    screen = told([own_profile(tmp_path)], capsys)
    assert f"deviates from forearm-25cm2: agonist.peak_mA 45 mA (default 40 mA): {REASON}" in " ".join(screen.split())
    assert f"DEVIATES from 40 mA; stated reason: {REASON}" in screen
    assert screen.count("DEVIATES") == 1
    peaks = [line.split()[-1] for line in screen.splitlines() if line.split()[:1] == ["peak_mA"]]
    assert peaks == ["agonist", "antagonist"]
    assert "Bounds on a steady command, agonist" in screen
    assert "Bounds on a steady command, antagonist" in screen
    assert max(len(line) for line in screen.splitlines() if str(tmp_path) not in line) <= 100


def test_json_holds_every_bound_and_the_same_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = told_json([own_profile(tmp_path)], capsys)
    profile = load_profile(str(tmp_path / "pilot.toml"))
    assert found["fingerprint"] == profile.fingerprint()
    assert {row["key"]: row["value"] for row in found["limits"]} == {k: b.value for k, b, _ in profile.bounds()}
    assert [row["key"] for row in found["limits"] if row["deviates"]] == ["agonist.peak_mA"]
    assert found["deviations"][0]["reason"] == REASON
    agonist, antagonist = found["channels"]
    assert [row["rule"] for row in agonist["bounds"] if row["binds"]] == ["R06", "R10", "R13", "R17"]
    assert [row["rule"] for row in antagonist["bounds"] if row["binds"]] == ["R06", "R09", "R17"]
    assert [row["load_ohm"] for row in antagonist["worst_into_loads"]] == [500, 2_000, 10_000]
    assert found["caution"] == SHORT


def test_without_a_profile_the_shipped_ones_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    screen = told([], capsys)
    assert all(name in screen for name in shipped_profiles())
    assert [row["name"] for row in told_json([], capsys)["shipped"]] == list(shipped_profiles())


def test_an_unknown_profile_is_told_with_the_nearest_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "thumb-8cm"]) == 2
    screen = capsys.readouterr()
    assert "nearest known name: thumb-8cm2" in screen.err
    assert screen.out == ""
    assert "Traceback" not in screen.err


def test_a_profile_that_is_looser_without_a_reason_is_refused_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = Path(own_profile(tmp_path))
    file.write_text(file.read_text("utf-8").replace(f'reason = "{REASON}",', ""), "utf-8")
    assert main(["limits", str(file), "--json"]) == 2
    screen = capsys.readouterr()
    assert "at most 40 mA (the default of forearm-25cm2)" in screen.err
    assert json.loads(screen.out)["problems"][0]["key"] == "agonist.peak_mA"
