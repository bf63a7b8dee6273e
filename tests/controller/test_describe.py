"""What `thenar laws` has to tell."""

from __future__ import annotations

from pathlib import Path

import pytest

from thenar.controller.describe import LawDescription, SettingDescription, describe_laws


def described(name: str) -> LawDescription:
    """The description of one law."""
    (found,) = (law for law in describe_laws() if law.name == name)
    return found


def setting(law: str, name: str) -> SettingDescription:
    """The description of one setting."""
    (found,) = (entry for entry in described(law).settings if entry.name == name)
    return found


@pytest.mark.parametrize("name", ["proportional", "bang-bang", "confident", "yielding"])
def test_every_built_in_law_has_one_line_and_every_setting_a_meaning(name: str) -> None:
    law = described(name)
    assert law.built_in
    assert law.summary
    assert "\n" not in law.summary
    assert law.settings
    assert all(entry.meaning for entry in law.settings)


def test_units_come_from_names() -> None:
    for law, name, unit in (
        ("proportional", "gain_mA_per_N", "mA/N"),
        ("proportional", "gain_fraction_per_N", "1/N"),
        ("proportional", "deadband_N", "N"),
        ("proportional", "width_us", "us"),
        ("proportional", "rate_Hz", "Hz"),
        ("proportional", "start", ""),
        ("bang-bang", "minimum_dwell_ms", "ms"),
        ("bang-bang", "agonist.share", "1"),
        ("confident", "tolerance_N", "N"),
        ("confident", "least_confidence", "1"),
        ("yielding", "rate_tau_ms", "ms"),
        ("yielding", "yield_above_N_per_s", "N/s"),
    ):
        assert setting(law, name).unit == unit


def test_every_number_has_a_unit_and_every_choice_its_choices() -> None:
    for law in describe_laws():
        for entry in law.settings:
            assert entry.unit or " or " in entry.allowed, entry


def test_defaults_and_bounds_are_those_the_settings_have() -> None:
    assert setting("proportional", "start").default == "motor-threshold"
    assert setting("proportional", "start").allowed == "motor-threshold or zero"
    assert setting("proportional", "width_us").default is None
    assert setting("bang-bang", "antagonist.share").default == 0.3
    assert setting("bang-bang", "antagonist.share").allowed == "at least 0, at most 1"


def test_an_installed_law_that_fails_is_told_of_beside_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "ring_laws.py").write_text("1 / 0\n", encoding="utf-8")
    told = tmp_path / "ring_laws-1.0.dist-info"
    told.mkdir()
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: ring-laws\nVersion: 1.0\n", encoding="utf-8")
    (told / "entry_points.txt").write_text("[thenar.laws]\nring-hold = ring_laws:Law\n", encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    law = described("ring-hold")
    assert not law.built_in
    assert "ZeroDivisionError" in law.problem
    assert described("proportional").problem == ""
