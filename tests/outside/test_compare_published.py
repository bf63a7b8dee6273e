"""Tests and effect sizes of a comparison on published worked examples, and against scipy, statsmodels and pingouin.

Where a line says so, the numbers were remembered and not read again; that these data give these figures is what runs.
"""

from __future__ import annotations

import itertools
import math
import secrets

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.formula.api import mixedlm
from statsmodels.stats.anova import AnovaRM
from statsmodels.stats.multitest import multipletests

from thenar.study.compare_data import _predicted
from thenar.study.compare_many import holm, rank_test, variance_test
from thenar.study.compare_mixed import mixed_model
from thenar.study.compare_paired import Paired, paired, wilcoxon
from thenar.study.compare_rows import Row

# Student [@student-1908], hours of sleep gained; as `sleep` of R. Data and figures from memory.
SLEEP_ONE = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_TWO = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])

# Hollander and Wolfe [@hollander-wolfe-1973], p. 29: depression scale of nine patients at the first and
# the second visit; as in the help of R's wilcox.test. Data and figures from memory.
FIRST_VISIT = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
SECOND_VISIT = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])

# Sprent and Smeeton [@sprent-smeeton], as quoted by scipy's
# friedmanchisquare: pulse rate of seven students before, at once after and five minutes after exertion. From memory.
PULSE_RATE = np.array(
    [[72, 96, 88, 92, 74, 76, 82], [120, 120, 132, 120, 101, 96, 112], [76, 95, 104, 96, 84, 72, 76]], dtype=float
).T

# Field [@field-2009]: seconds of eight people in four conditions.
# Data and figures from memory.
SECONDS = np.array(
    [[8, 7, 1, 6], [9, 5, 2, 5], [6, 2, 3, 8], [5, 3, 1, 9], [8, 4, 5, 8], [7, 5, 6, 7], [10, 2, 7, 2], [12, 6, 8, 1]],
    dtype=float,
)

# Lakens [@lakens-2013], table 1: ten people rate two films. Data and figures from memory.
FILM_ONE = np.array([9, 7, 8, 9, 8, 9, 9, 10, 9, 9], dtype=float)
FILM_TWO = np.array([9, 6, 7, 8, 7, 9, 8, 8, 8, 7], dtype=float)


def _paired(one: np.ndarray, other: np.ndarray) -> Paired:
    return paired(one, other, level=0.95, seed=1, resamples=999)


def test_students_sleep_gives_the_published_t_p_and_interval() -> None:
    found = _paired(SLEEP_ONE, SLEEP_TWO)
    assert (found.df, found.difference) == (9, pytest.approx(-1.58))
    assert found.t == pytest.approx(-4.0621, abs=5e-5)
    assert found.p_t == pytest.approx(0.002833, abs=5e-7)
    assert found.interval == pytest.approx((-2.4598858, -0.7001142), abs=5e-8)
    assert (found.smaller, found.larger, found.same) == (9, 0, 1)


def test_hollander_and_wolfes_depression_scale_gives_v_40_and_the_exact_p() -> None:
    v, p, exact = wilcoxon(FIRST_VISIT - SECOND_VISIT)
    assert (v, exact) == (40.0, True)
    assert p / 2 == pytest.approx(0.01953, abs=5e-6), "published one-sided: the first visit larger"


def test_sprent_and_smeetons_pulse_rates_give_the_published_friedman_figures() -> None:
    found = rank_test(PULSE_RATE)
    assert (found.n, found.df) == (7, 2)
    assert found.chi2 == pytest.approx(10.5714, abs=5e-5)
    assert found.p == pytest.approx(0.005063, abs=5e-7)


def test_fields_four_conditions_give_the_published_anova_and_sphericity() -> None:
    found = variance_test(SECONDS)
    assert (found.df, found.df_error) == (3, 21)
    assert found.f == pytest.approx(3.794, abs=5e-4)
    assert found.p == pytest.approx(0.026, abs=5e-4)
    assert found.mauchly_w == pytest.approx(0.136, abs=5e-4)
    assert found.p_sphericity == pytest.approx(0.047, abs=5e-4)
    assert found.epsilon == pytest.approx(0.533, abs=5e-4)
    assert found.p_corrected == pytest.approx(0.063, abs=5e-4)


def test_lakens_films_give_the_published_t_and_d_z() -> None:
    found = _paired(FILM_ONE, FILM_TWO)
    assert found.t == pytest.approx(4.74, abs=5e-3)
    assert found.d_z == pytest.approx(1.50, abs=5e-3)


def test_holms_procedure_gives_the_worked_example() -> None:
    """Four tests at 0.05, a common example of Holm [@holm-1979]: two are rejected; from memory."""
    found = holm([0.01, 0.04, 0.03, 0.005])
    assert found == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.01, math.nan, 0.005]) == pytest.approx([0.01, math.nan, 0.01], nan_ok=True)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30))
@settings(max_examples=25)  # statsmodels collects all garbage at each call
def test_holm_agrees_with_statsmodels(p_values: list[float]) -> None:
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], abs=1e-12)


@given(st.integers(0, 2**31), st.integers(5, 25))
@settings(max_examples=25, deadline=None)
def test_the_paired_tests_agree_with_scipy_and_pingouin(seed: int, wearers: int) -> None:
    draw = np.random.default_rng(seed)
    one, other = draw.normal(2.0, 0.7, wearers), draw.normal(1.8, 0.5, wearers)
    found, test = _paired(one, other), stats.ttest_rel(one, other)
    interval = test.confidence_interval(0.95)
    assert (found.t, found.p_t) == pytest.approx((test.statistic, test.pvalue))
    assert found.interval == pytest.approx((interval.low, interval.high))
    assert found.p_wilcoxon == pytest.approx(stats.wilcoxon(one, other, method="exact").pvalue)
    assert found.p_shapiro == pytest.approx(stats.shapiro(one - other).pvalue)
    # pingouin divides by the root of the mean variance too; its factor for small samples is another, so without it.
    df = wearers - 1
    factor = math.gamma(df / 2) / (math.sqrt(df / 2) * math.gamma((df - 1) / 2))
    assert found.g_av / factor == pytest.approx(pingouin.compute_effsize(one, other, paired=True, eftype="cohen"))
    for end, tail in zip(found.d_z_interval, (0.975, 0.025), strict=True):
        assert stats.nct.cdf(found.t, df, end * math.sqrt(wearers)) == pytest.approx(tail, abs=1e-5)


def test_the_small_sample_factor_is_hedges_own() -> None:
    """J of 9 degrees of freedom is 0.9139 ([@hedges-1981]; table value from memory)."""
    found = _paired(SLEEP_ONE, SLEEP_TWO)
    plain = pingouin.compute_effsize(SLEEP_ONE, SLEEP_TWO, paired=True, eftype="cohen")
    assert found.g_av / plain == pytest.approx(0.9139, abs=5e-4)


@given(st.lists(st.integers(-6, 6), min_size=5, max_size=11))
@settings(max_examples=40, deadline=None)
def test_the_rank_test_is_exact_with_ties_and_zeros(differences: list[int]) -> None:
    """Held against every assignment of signs to the ranks as they are."""
    kept = np.array([d for d in differences if d], dtype=float)
    v, p, _ = wilcoxon(np.array(differences, dtype=float))
    ranks = stats.rankdata(np.abs(kept))
    signs = (np.arange(2 ** len(kept))[:, None] >> np.arange(len(kept))) & 1
    sums = signs @ ranks
    tail = min(np.mean(sums <= v + 1e-9), np.mean(sums >= v - 1e-9))
    assert p == pytest.approx(min(1.0, 2 * tail))


@given(st.integers(0, 2**31), st.integers(3, 5))
@settings(max_examples=15, deadline=None)
def test_all_conditions_at_once_agree_with_pingouin_and_statsmodels(seed: int, conditions: int) -> None:
    draw = np.random.default_rng(seed)
    numbers = draw.normal(size=(12, conditions)) * draw.uniform(0.5, 3.0, conditions) + draw.normal(size=(12, 1))
    found = variance_test(numbers)
    table = pingouin.rm_anova(pd.DataFrame(numbers), correction=True, detailed=True)
    long = pd.DataFrame(numbers).melt(var_name="condition", value_name="y", ignore_index=False).reset_index()
    other = AnovaRM(long, "y", "index", within=["condition"]).fit().anova_table
    assert (found.f, found.p) == pytest.approx((other["F Value"].iloc[0], other["Pr > F"].iloc[0]))
    assert (found.f, found.epsilon) == pytest.approx((table["F"].iloc[0], table["eps"].iloc[0]))
    assert found.p_corrected == pytest.approx(table["p_GG_corr"].iloc[0])
    assert found.mauchly_w == pytest.approx(pingouin.sphericity(pd.DataFrame(numbers)).W)
    assert rank_test(numbers).p == pytest.approx(stats.friedmanchisquare(*numbers.T).pvalue)


CONDITIONS = ("unassisted", "assisted", "stimulation-only")


def _rows(
    seed: int, sd_wearers: float, sd_answers: float = 0.0, wearers: int = 12, *, effects: bool = True,
    ordered: bool = False, period: float = 0.0, carried: float = 0.0,
) -> list[Row]:  # fmt: skip
    """Two trials of each condition at two targets; in orders of their own where `ordered` or a term of order is on."""
    draw, rows = np.random.default_rng(seed), []
    orders = list(itertools.permutations(range(3)))
    for wearer, own in enumerate(draw.normal(0.0, sd_wearers, wearers)):
        answers = draw.normal(0.0, sd_answers, 3)
        played = orders[wearer % 6 if ordered or period or carried else 0]
        for trial, place in enumerate(2 * played):
            before = trial > 0 and (2 * played)[trial - 1] == 1
            for level, target in enumerate(("3 N", "6 N")):
                value = 2.0 + own + answers[place] + effects * (-0.4 * (place == 1) + 0.9 * place * level)
                value += period * trial + carried * before + draw.normal(0.0, 0.3)
                values = {"y": float(value)}
                rows.append(Row(f"wearer {wearer}", CONDITIONS[place], target, 3.0 * (level + 1), trial, values))
    return rows


def _table(rows: list[Row]) -> pd.DataFrame:
    return pd.DataFrame([row._asdict() | {"y": row.values["y"]} for row in rows])


def test_the_mixed_model_is_the_one_that_statsmodels_makes_of_the_formula() -> None:
    rows = _rows(3, 0.5, sd_answers=0.4)
    found = mixed_model(rows, "y", CONDITIONS, 0.95)
    assert not found.trouble
    answers = {"answers": "0 + C(condition)"}
    for effect in found.effects:
        table = _table([row for row in rows if row.condition in ("unassisted", effect.condition)])
        formula = "y ~ C(condition, Treatment('unassisted')) * C(target, Sum)"
        other = mixedlm(formula, table, groups=table["person"], re_formula="1", vc_formula=answers).fit(reml=True)
        name = f"C(condition, Treatment('unassisted'))[T.{effect.condition}]"
        assert effect.estimate == pytest.approx(other.params[name], abs=1e-6)
        assert effect.error == pytest.approx(other.bse[name], rel=2e-3)
        assert effect.p == pytest.approx(2 * stats.t.sf(abs(effect.estimate) / effect.error, 11))
    table = _table(rows)
    formula = "y ~ C(condition) * C(target, Sum)"
    other = mixedlm(formula, table, groups=table["person"], re_formula="1", vc_formula=answers).fit(reml=True)
    assert found.sd_rest == pytest.approx(math.sqrt(other.scale), rel=1e-2)
    assert found.sd_answers == pytest.approx(math.sqrt(float(other.vcomp[0])), rel=2e-2)
    assert found.sd_wearers == pytest.approx(math.sqrt(float(other.cov_re.iloc[0, 0])), rel=2e-2)


def test_of_two_conditions_with_one_mean_each_the_mixed_model_is_the_paired_t_test() -> None:
    draw = np.random.default_rng(20261217)
    numbers = draw.normal(size=(9, 2)) + 3.0 * draw.normal(size=(9, 1))
    rows = [
        Row(f"w{person}", condition, "5 N", 5.0, place, {"y": float(numbers[person, place])})
        for person in range(9)
        for place, condition in enumerate(CONDITIONS[:2])
    ]
    (effect,) = mixed_model(rows, "y", CONDITIONS[:2], 0.95).effects
    other = stats.ttest_rel(numbers[:, 1], numbers[:, 0])
    assert effect.p == pytest.approx(other.pvalue, rel=1e-4)
    assert (effect.low, effect.high) == pytest.approx(tuple(other.confidence_interval(0.95)), rel=1e-4)


def test_period_and_carry_over_are_terms_where_orders_differ_and_take_their_part_off_the_conditions() -> None:
    drifting = _rows(5, 0.5, sd_answers=0.1, period=0.3)
    found = mixed_model(drifting, "y", CONDITIONS, 0.95)
    assert found.p_period < 1e-6
    assert found.effects[0].low < -0.4 + 0.9 / 2 < found.effects[0].high
    carried = _rows(6, 0.5, sd_answers=0.1, carried=0.8)
    assert mixed_model(carried, "y", CONDITIONS, 0.95).p_carry_over < 1e-4
    fixed = mixed_model(_rows(7, 0.5), "y", CONDITIONS, 0.95)
    assert math.isnan(fixed.p_period)
    assert math.isnan(fixed.p_carry_over)


def _null_rate(seed: int, sets: int, wearers: int, conditions: int) -> float:
    """Share of null data sets, with answers that vary between wearers, in which the first effect has p < 0.05."""
    print("seed", seed)
    some = CONDITIONS[:conditions]
    found = 0
    for number in range(sets):
        rows = _rows(seed + number, 0.6, 0.4, wearers, effects=False, ordered=True)
        rows = [row for row in rows if row.condition in some]
        found += mixed_model(rows, "y", some, 0.95).effects[0].p < 0.05
    return found / sets


def test_answers_that_vary_between_wearers_are_no_effect() -> None:
    # 0.05 of 100 is binomial: more than 12 has a chance below one in a thousand.
    assert _null_rate(20261218, 100, 12, 3) <= 0.12


@pytest.mark.campaign
@pytest.mark.parametrize(("wearers", "conditions"), [(8, 2), (12, 2), (12, 3), (20, 3)])
def test_a_twentieth_of_a_thousand_null_studies_finds_an_effect(wearers: int, conditions: int) -> None:
    assert 0.03 <= _null_rate(secrets.randbits(30), 1000, wearers, conditions) <= 0.07


def test_a_mixed_model_at_the_edge_or_without_a_fit_says_so() -> None:
    conditions = CONDITIONS
    told = [mixed_model(_rows(seed, 0.0), "y", conditions, 0.95) for seed in range(12)]
    assert any("edge" in one.trouble for one in told), [one.trouble for one in told]
    assert all(one.trouble for one in told if min(one.sd_wearers, one.sd_answers) < 1e-4)
    flat = [row._replace(values={"y": 1.0}) for row in _rows(1, 0.0)]
    assert "not fitted" in mixed_model(flat, "y", conditions, 0.95).trouble
    assert not mixed_model(flat, "y", conditions, 0.95).effects


def test_equivalence_is_the_larger_of_scipys_two_one_sided_tests() -> None:
    # Two one-sided tests as Schuirmann [@schuirmann-1987] has them (from memory), reckoned by scipy.
    draw = np.random.default_rng(20261219)
    measured, rehearsed = draw.normal(-0.5, 0.3, 9), draw.normal(-0.45, 0.2, 14)
    names = ("assisted", "unassisted", "4 N")
    groups = [
        {f"{place} {group}": float(x) for place, x in enumerate(xs)} for group, xs in enumerate((measured, rehearsed))
    ]
    found = _predicted(names, groups[0], groups[1], 0.3, 0.05)
    above = stats.ttest_ind(rehearsed, measured - 0.3, equal_var=False, alternative="greater").pvalue
    below = stats.ttest_ind(rehearsed, measured + 0.3, equal_var=False, alternative="less").pvalue
    assert (found.p, found.same) == (pytest.approx(max(above, below)), 0)
    ends = stats.ttest_ind(rehearsed, measured, equal_var=False).confidence_interval(0.9)
    assert (found.low, found.high) == pytest.approx((ends.low, ends.high))
    paired = {f"{place} 0": float(x) for place, x in enumerate(rehearsed[:9])}
    found = _predicted(names, groups[0], paired, 0.3, 0.05)
    above = stats.ttest_rel(rehearsed[:9], measured - 0.3, alternative="greater").pvalue
    below = stats.ttest_rel(rehearsed[:9], measured + 0.3, alternative="less").pvalue
    assert (found.p, found.same) == (pytest.approx(max(above, below)), 9)
