"""What a person is told about a scenario file that can't be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.texts import SMALLEST, loaded, problems_of, the_problem_of
from thenar.scenarios.faults import KINDS
from thenar.scenarios.loader import load_scenario
from thenar.shared.errors import InputError


def test_the_message_holds_file_key_path_found_allowed_and_nearest() -> None:
    with pytest.raises(InputError) as caught:
        loaded(SMALLEST + "[wearer.cue]\ntrsut = 0.5\n")
    lines = str(caught.value).splitlines()
    assert lines[0] == "study.toml: wearer.cue.trsut"
    assert lines[1] == "    found: unknown key with value 0.5"
    assert lines[2] == "    allowed: one of delay_ms, hold_ms, rate_N_per_s, trust"
    assert lines[3] == "    nearest known name: trust"


def test_every_problem_is_told_at_once() -> None:
    text = (
        SMALLEST.replace("schema = 1", "shema = 1")
        .replace("10.0", "-10.0")
        .replace('"assisted"', '"asisted"')
        .replace("level_N", "levl_N")
        .replace('"proportional"', '"proportionel"')
    )
    text += '[limits]\nprofile = "no-such"\n[clock]\ncontrol_rate_Hz = 60\n[[faults]]\nkind = "stuk"\nat_s = 1.0\n'
    keys = {problem.key for problem in problems_of(text)}
    assert keys >= {
        "schema",
        "duration_s",
        "conditions[0]",
        "target.levl_N",
        "target.level_N",
        "law.name",
        "limits.profile",
        "clock.control_rate_Hz",
        "faults[0].kind",
    }


@pytest.mark.parametrize(
    ("old", "new", "key", "nearest"),
    [
        ("title", "titel", "titel", "title"),
        ('program = "constant"', 'program = "constnt"', "target.program", "constant"),
        ("level_N", "level", "target.level", "level_N"),
        ('"proportional"', '"proportionl"', "law.name", "proportional"),
        ('"assisted"', '"assist"', "conditions[0]", "assisted"),
        ("schema = 1", "schema = 1\nwearers_ = 1", "wearers_", "wearers"),
    ],
)
def test_a_misspelt_name_is_answered_with_the_nearest_known_one(old: str, new: str, key: str, nearest: str) -> None:
    found = {problem.key: problem.nearest for problem in problems_of(SMALLEST.replace(old, new, 1))}
    assert found[key] == nearest


def test_a_misspelt_setting_of_a_built_in_law_is_found_without_running_any_file() -> None:
    problem = the_problem_of(SMALLEST + "settings.dedband_N = 1.0\n")
    assert problem.key == "law.settings.dedband_N"
    assert problem.nearest == "deadband_N"


@pytest.mark.parametrize(
    ("old", "new", "found", "allowed"),
    [
        ("level_N = 5.0", "level_N = -1", "-1", "at least 0"),
        ("10.0", "7201", "7201", "at most 7200"),
        ("10.0", '"10"', "'10'", "a number"),
        ('["assisted"]', '"assisted"', "'assisted'", "a list"),
        ('"A hold"', "7", "7", "text in quotes"),
        ('"A hold"', '""', "''", "text should have at least 1 character"),
        ("schema = 1", "schema = 1\nseed = 1.0", "1.0", "a whole number"),
        ("schema = 1", "schema = 1\nlimits = 3", "3", "a table, headed [limits]"),
        ("schema = 1", "schema = 1\nwearers = [3]", "3", "a table"),
        ("schema = 1", "schema = 1\nfaults = [3]", "3", "a table with kind = one of " + ", ".join(KINDS)),
    ],
)
def test_what_is_allowed_is_said_in_the_words_of_a_toml_file(old: str, new: str, found: str, allowed: str) -> None:
    problem = the_problem_of(SMALLEST.replace(old, new, 1))
    assert problem.found == found
    assert problem.allowed == allowed


def test_a_list_with_a_faulty_entry_is_not_also_told_to_be_too_short() -> None:
    assert the_problem_of(SMALLEST.replace('["assisted"]', '["asisted"]')).key == "conditions[0]"


@pytest.mark.parametrize("version", ["2", "0", '"1"', "1.0", "true", "[]"])
def test_another_schema_version_is_refused_before_its_keys_are_judged(version: str) -> None:
    text = SMALLEST.replace("schema = 1", f"schema = {version}") + "[unheard_of]\n"
    assert the_problem_of(text).key == "schema"


@pytest.mark.parametrize(
    ("value", "found"), [("nan", "nan"), ("inf", "inf"), ("true", "True"), ('"5"', "'5'"), ("[5.0]", "[5.0]")]
)
def test_a_level_that_is_no_finite_number_is_refused(value: str, found: str) -> None:
    problem = the_problem_of(SMALLEST.replace("level_N = 5.0", f"level_N = {value}"))
    assert problem.key == "target.level_N"
    assert problem.found == found


def test_a_target_above_the_strength_of_a_wearer_names_that_wearer() -> None:
    text = SMALLEST + '[[wearers]]\nname = "strong"\n[[wearers]]\nname = "weak"\nmax_pinch_N = 5.5\n'
    assert problems_of(text) == ()
    problem = the_problem_of(text.replace("level_N = 5.0", "level_N = 6.0"))
    assert problem.key == "target.level_N"
    assert "'weak'" in problem.allowed


@pytest.mark.parametrize(
    ("target", "key"),
    [
        ('program = "sine"\nmean_N = 3.0\namplitude_N = 3.1\nperiod_s = 4.0', "target.amplitude_N"),
        ('program = "sine"\nmean_N = 60.0\namplitude_N = 31.0\nperiod_s = 4.0', "target.amplitude_N"),
        ('program = "steps"\nlevels_N = [4.0, 7.0, 4.0]\nevery_s = 3.0', "target.levels_N"),
        ('program = "steps"\nlevels_N = []\nevery_s = 3.0', "target.levels_N"),
        ('program = "steps"\nlevels_N = [4.0]\nevery_s = 0.0', "target.every_s"),
        ('program = "ramp-and-hold"\nfrom_N = 1.0\nto_N = 91.0\nramp_s = 1.0\nhold_s = 1.0', "target.to_N"),
        ('program = "ramp-and-hold"\nfrom_N = 91.0\nto_N = 1.0\nramp_s = 1.0\nhold_s = 1.0', "target.from_N"),
        ('program = "constant"\nlevel_N = -1.0', "target.level_N"),
    ],
)
def test_a_target_that_nobody_can_hold_is_refused(target: str, key: str) -> None:
    text = SMALLEST.replace('program = "constant"\nlevel_N = 5.0', target)
    assert {problem.key for problem in problems_of(text)} == {key}


@pytest.mark.parametrize(
    ("fault", "key"),
    [
        ('kind = "dropout"\nat_s = 1.0', "faults[0].for_s"),
        ('kind = "dropout"\nat_s = 1.0\nfor_s = 0.0', "faults[0].for_s"),
        ('kind = "dropout"\nat_s = 1.0\nfor_s = 1.0\ngain = 1.0', "faults[0].gain"),
        ('kind = "stuck"\nat_s = 10.0\nfor_s = 1.0', "faults[0].at_s"),
        ('kind = "jump"\nat_s = 1.0\ngain = 1.1', "faults[0].offset_N"),
        ('kind = "jump"\nat_s = 1.0\ngain = 1.1\noffset_N = 1.0\nfor_s = 2.0', "faults[0].for_s"),
        ('kind = "electrode-lift"\nat_s = 1.0\nfor_s = 1.0\nchannel = "agonist"', "faults[0].contact_share"),
        (
            'kind = "electrode-lift"\nat_s = 1.0\nfor_s = 1.0\nchannel = "thumb"\ncontact_share = 0.5',
            "faults[0].channel",
        ),
        ('kind = "emergency-stop"\nat_s = 1.0\nfor_s = 1.0', "faults[0].for_s"),
        ('kind = "re-arm"\nat_s = 1.0', "faults[0].cause"),
        ('kind = "re-arm"\nat_s = 1.0\ncause = "R99"', "faults[0].cause"),
        ('kind = "re-arm"\nat_s = 1.0\ncause = "33"', "faults[0].cause"),
        ('kind = "emergency-stop"\nat_s = 1.0\nconditions = ["unassisted"]', "faults[0].conditions"),
        ('kind = "emergency-stop"\nat_s = 1.0\nconditions = ["assisted", "assisted"]', "faults[0].conditions"),
        ('kind = "emergency-stop"\nat_s = -1.0', "faults[0].at_s"),
        ("at_s = 1.0", "faults[0].kind"),
    ],
)
def test_a_fault_has_exactly_the_keys_that_its_kind_needs(fault: str, key: str) -> None:
    assert the_problem_of(f"{SMALLEST}\n[[faults]]\n{fault}\n").key == key


def test_faults_of_one_kind_may_not_overlap_unless_in_different_conditions_or_channels() -> None:
    both = SMALLEST.replace('["assisted"]', '["assisted", "unassisted"]')
    first = '[[faults]]\nkind = "stuck"\nat_s = 1.0\nfor_s = 2.0\nconditions = ["assisted"]\n'
    second = '[[faults]]\nkind = "stuck"\nat_s = 2.5\nfor_s = 1.0\nconditions = ["{}"]\n'
    assert problems_of(both + first + second.format("unassisted")) == ()
    assert the_problem_of(both + first + second.format("assisted")).key == "faults[1].at_s"
    assert the_problem_of(both + second.format("assisted") + first).key == "faults[1].at_s"
    lift = '[[faults]]\nkind = "electrode-lift"\nat_s = 1.0\nfor_s = 1.0\ncontact_share = 0.5\nchannel = "{}"\n'
    assert problems_of(SMALLEST + lift.format("agonist") + lift.format("antagonist")) == ()
    assert the_problem_of(SMALLEST + lift.format("agonist") + lift.format("agonist")).key == "faults[1].at_s"


def test_one_thing_that_happens_twice_at_one_moment_is_refused() -> None:
    jump = '[[faults]]\nkind = "jump"\nat_s = {}\ngain = 1.1\noffset_N = 0.0\n'
    assert problems_of(SMALLEST + jump.format(2.0) + jump.format(2.1)) == ()
    assert the_problem_of(SMALLEST + jump.format(2.0) + jump.format(2.0)).key == "faults[1].at_s"


def test_a_population_and_wearers_by_hand_exclude_each_other() -> None:
    text = SMALLEST + '[population]\ncount = 8\n[[wearers]]\nname = "one"\n'
    assert the_problem_of(text).key == "population"


def test_two_wearers_of_one_name_are_refused() -> None:
    problem = the_problem_of(SMALLEST + '[[wearers]]\nname = "one"\n[[wearers]]\nname = "one"\n')
    assert problem.key == "wearers[1].name"
    assert "wearers[0]" in problem.found


def test_a_single_table_where_a_list_of_tables_belongs_is_told_how_to_write_it() -> None:
    assert "[[faults]]" in the_problem_of(SMALLEST + '[faults]\nkind = "stuck"\n').allowed
    assert "[[wearers]]" in the_problem_of(SMALLEST + '[wearers]\nname = "one"\n').allowed


@pytest.mark.parametrize(
    ("addition", "key"),
    [
        ("[clock]\ncontrol_rate_Hz = 60.0\n", "clock.control_rate_Hz"),
        ("[clock]\ncontrol_rate_Hz = 0.0\n", "clock.control_rate_Hz"),
        ("[clock]\ncontrol_rate_Hz = 1000.0\n", "clock.control_rate_Hz"),
        ("[clock]\ntrace_rate_Hz = 300.0\n", "clock.trace_rate_Hz"),
        ("[session]\narm_at_s = 10.0\n", "session.arm_at_s"),
        ("[population]\ncount = 100_000\n[[faults]]\n", "faults[0].kind"),
    ],
)
def test_rates_and_times_outside_their_range_are_refused(addition: str, key: str) -> None:
    assert the_problem_of(SMALLEST + addition).key == key


def test_a_rate_with_a_broken_period_is_answered_with_the_nearest_plain_ones() -> None:
    allowed = the_problem_of(SMALLEST + "[clock]\ncontrol_rate_Hz = 60.0\n").allowed
    assert "50.0 and 62.5 Hz" in allowed
    for rate in (50.0, 62.5):
        assert problems_of(SMALLEST + f"[clock]\ncontrol_rate_Hz = {rate}\n") == ()


def test_more_trials_or_rows_than_a_machine_can_hold_are_refused() -> None:
    many = SMALLEST.replace("schema = 1", "schema = 1\nrepeats = 2") + "[population]\ncount = 60_000\n"
    assert "120000 trials" in the_problem_of(many).found
    long = SMALLEST.replace("10.0", "7200.0") + "[clock]\ntrace_rate_Hz = 1000.0\n"
    assert "7200000 rows" in the_problem_of(long).found
    assert problems_of(long.replace("7200.0", "3600.0")) == (), "an hour at 1 kHz is not too long"


def test_control_characters_never_reach_the_terminal() -> None:
    for text in (
        SMALLEST.replace("A hold", "A \\u001b[31mhold"),
        SMALLEST + '[wearer]\nname = "a\\nb"\n',
        SMALLEST + '"\\u001b[31m" = 1\n',
        SMALLEST + '[wearer]\n"a\\nb" = 1\n',
    ):
        with pytest.raises(InputError) as caught:
            loaded(text)
        assert all(line.isprintable() for line in str(caught.value).splitlines())
        assert len(str(caught.value).splitlines()) <= 4


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x00\x01\x02",
        b'schema = 1\ntitle = "caf\xe9"\n',
        b"schema = 1\nschema = 1\n",
        b"a = " + b"[" * 5000 + b"]" * 5000,
        b"a" + b".a" * 5000 + b" = 1",
        b"a = " + b"9" * 5000,
        b"a = 0x" + b"f" * 5000,
        b"seed = 18446744073709551616",
        b"a = 1979-05-27T07:32:00+99:99",
        b"\xef\xbb\xbf\xef\xbb\xbfschema = 1",
        b"x" * 2_000_000,
        b'"' + b"k" * 5000 + b'" = 1\n"' + b"k" * 5000 + b'" = 2\n',
    ],
    ids=range(13),
)
def test_bytes_that_are_no_scenario_are_told_on_a_few_short_lines(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "study.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_scenario(path)
    lines = str(caught.value).splitlines()
    assert len(lines) <= 60
    assert max(len(line) for line in lines) <= 400


def test_a_folder_a_missing_file_and_a_file_without_permission_are_told_plainly(tmp_path: Path) -> None:
    for path, found in ((tmp_path, "a folder"), (tmp_path / "none.toml", "No such file or directory")):
        with pytest.raises(InputError) as caught:
            load_scenario(path)
        assert caught.value.problems[0].found == found
