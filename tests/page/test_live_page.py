"""The live page in a real browser: settings, faults, re-arming, freezing, comparing, saving, reading it aloud."""

from __future__ import annotations

import itertools
import json
import math
import re
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.page.live_driven import Running, Witness, again, long_scenario, opened, pace, running, stands, waited
from tests.waiting import limit_ms, until

FAULTS = {
    "dropout": ({"for_s": "2"}, "R30"),
    "stuck": ({"for_s": "5"}, "R30"),
    "jump": ({"offset_N": "10", "gain": "3"}, "R31"),
    "electrode-lift": ({"for_s": "8", "contact_share": "0"}, "R28"),
    "unbalanced-pulses": ({"for_s": "8", "missing_share": "1"}, "R19"),
    "controller-stall": ({"for_s": "2"}, "R32"),
}
"""Each kind with what makes it grave enough to latch, and the rule that must answer."""


@pytest.fixture(autouse=True)
def _from_the_beginning(page: Page) -> None:
    # At 2x no tick is passed over, so a stall of the machine trips nothing.
    pace(page, 2)
    again(page)


def read_at_the_end(page: Page) -> dict[str, float]:
    """What the legend of the force picture says near its right end, N."""
    panel = page.locator("#panels .tc").first
    page.evaluate("scrollTo(0, 0)")
    places, found = itertools.cycle(range(3, 120, 3)), dict[str, str]()

    def all_three() -> bool:
        box = panel.locator(".u-over").bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] - next(places), box["y"] + 30)
        time.sleep(0.05)
        told = [line.split("\n") for line in panel.locator(".tc-key").all_inner_texts()]
        found.clear()
        found.update({line[0]: line[-1].removesuffix(" N") for line in told if len(line) > 1})
        return len(found) == 3 and "none" not in found.values()

    until(all_three, "three values in the legend")
    return {name: float(value) for name, value in found.items()}


# The wish is 50 ms; the median here was 47 to 52 ms with other work on two cores.
@limit_ms(100.0)
def test_a_slider_moves_the_trace_and_the_picture_follows_at_once(page: Page, limit_ms: float) -> None:
    slider = page.locator("#c-estimator-offset-N")
    waited(page, "Number(document.body.dataset.drawn) > 3")
    before = read_at_the_end(page)
    assert abs(before["estimate"] - before["true force"]) < 3
    slider.fill("8")
    waited(page, "document.querySelector('#log li').dataset.kind === 'change'")
    waited(
        page, "Number(document.body.dataset.drawn) * 1e6 > Number(document.querySelector('#log li').dataset.t) + 1e6"
    )
    after = read_at_the_end(page)
    assert after["estimate"] - after["true force"] > 5
    assert page.locator('[data-key="estimator.offset_N"] input[type=number]').input_value() == "8"
    slider.fill("0")

    waits_ms = [slider_to_picture_ms(page, 0.1 * number) for number in range(1, 16)]
    median = statistics.median(waits_ms)
    print(f"slider to picture: median {median:.0f} ms, worst {max(waits_ms):.0f} ms of {len(waits_ms)}")
    assert median < limit_ms
    slider.fill("0")


def slider_to_picture_ms(page: Page, value: float) -> float:
    """From the slider's event to the first frame whose picture holds the instant at which the loop changed."""
    time.sleep(0.1)
    found: float = page.evaluate(
        """value => new Promise((done) => {
            const slider = document.getElementById("c-estimator-offset-N"), log = document.getElementById("log");
            const newest = () => [...log.children].find((line) => line.dataset.kind === "change");
            const before = newest(), start = performance.now();
            slider.value = value;
            slider.dispatchEvent(new Event("input", {bubbles: true}));
            (function look() {
                const now = newest();
                if (now && now !== before && Number(document.body.dataset.drawn) * 1e6 >= Number(now.dataset.t))
                    done(performance.now() - start);
                else requestAnimationFrame(look);
            })();
        })""",
        value,
    )
    return found


@pytest.mark.parametrize("kind", FAULTS)
def test_each_fault_is_answered_by_the_interlock_with_its_reason_and_can_be_re_armed(page: Page, kind: str) -> None:
    fields, rule = FAULTS[kind]
    # Without a deadband the law asks for something all the time: a fault of pads or pulses shows only in pulses.
    page.locator("#c-law-settings-deadband-N").fill("0")
    pace(page, 8)
    form = page.locator(f'.fault[data-kind="{kind}"]')
    for name, value in fields.items():
        form.locator(f'[name="{name}"]').fill(value)
    form.locator("button").click()
    stands(page, f"LATCHED by {rule}")
    title = page.locator(f'#cause option[value="{rule}"]').inner_text().removeprefix(f"{rule} ")
    assert page.inner_text("#why").startswith(f"The rule: {title}. To clear it: ")
    assert page.locator("#trip").text_content() == f"TRIP {rule}. {page.inner_text('#why')}"
    assert page.locator("#log li.trip").first.inner_text().endswith(f"TRIP {rule}: {title}")
    assert page.locator("#panels .tc-mark").count() > 0

    page.select_option("#cause", "R35")
    page.click("#rearm button")
    time.sleep(0.3)
    stands(page, f"LATCHED by {rule}")
    again(page)
    stands(page, "ARMED")
    page.locator("#c-law-settings-deadband-N").fill("0.4")


def test_after_a_stop_the_operator_re_arms_by_naming_it(page: Page) -> None:
    page.keyboard.press("Escape")
    stands(page, "LATCHED by R33")
    page.click("#rearm button")  # nothing is chosen: the browser asks for it
    stands(page, "LATCHED by R33")
    page.select_option("#cause", "R33")

    def cleared() -> bool:
        page.click("#rearm button")
        time.sleep(0.2)
        return "LATCHED" not in page.inner_text("#stands")

    # The law must ask for nothing at that moment, so a person may have to try again.
    until(cleared, "re-armed")
    stands(page, "ARMED")
    assert page.locator("#trip").text_content() == ""


def test_frozen_pictures_stand_still_and_scroll_back_while_the_loop_goes_on(page: Page) -> None:
    pace(page, 10)
    waited(page, "Number(document.body.dataset.drawn) > 10")
    page.click("#freeze")
    canvas = page.locator("#panels .tc canvas").first
    drawn = held(page)  # a last picture may have been under way
    still, time_then = canvas.screenshot(), page.inner_text("#figures")
    waited(page, "then => document.getElementById('figures').innerText !== then", time_then)
    assert canvas.screenshot() == still
    assert page.evaluate("document.body.dataset.drawn") == drawn
    page.locator("#back").fill("-5")
    until(lambda: canvas.screenshot() != still, "the picture of 5 s before")
    assert page.inner_text("#back-told").startswith("5 s before")
    page.locator("#back").fill("0")
    page.locator("#panels .tc-plot").first.focus()
    page.keyboard.press("+")
    assert page.get_attribute("#freeze", "aria-pressed") == "true"
    page.click("#freeze")
    moving = canvas.screenshot()
    until(lambda: canvas.screenshot() != moving, "a picture that moves")


def held(page: Page) -> str:
    """Up to where the pictures go, s, once that stands still for 0.4 s."""
    found = [""]

    def stands_still() -> bool:
        found.append(page.evaluate("document.body.dataset.drawn"))
        time.sleep(0.4)
        return page.evaluate("document.body.dataset.drawn") == found[-1]

    until(stands_still, "pictures that stand still")
    return found[-1]


def test_no_line_joins_the_end_of_a_round_to_the_beginning_of_the_next(page: Page) -> None:
    page.select_option("#window", "5")
    waited(page, "Number(document.body.dataset.drawn) > 4")
    pace(page, 0.5)  # leaves 7 s between what is waited for and the joint's leaving the picture
    again(page)
    waited(page, "Number(document.body.dataset.drawn) > 1.5")
    page.click("#freeze")
    # True force is blue, at 10 N before and at 0 N after: how much blue is in one column where the round begins?
    filled = page.evaluate(
        """() => { const canvas = document.querySelector("#panels .tc canvas"), box = canvas.getBoundingClientRect();
            const over = document.querySelector("#panels .tc .u-over").getBoundingClientRect();
            const left = over.right - over.width * Number(document.body.dataset.drawn) / 5 - box.left;
            const ratio = canvas.width / canvas.clientWidth, wide = canvas.width;
            const it = canvas.getContext("2d").getImageData(0, 0, wide, canvas.height).data;
            const blue = (x) => { let n = 0;
                for (let i = 4 * Math.round(x * ratio); i < it.length; i += 4 * wide)
                    n += it[i + 3] > 200 && it[i] < 60 && it[i + 2] > 110 ? 1 : 0;
                return n; };
            return [...Array(41).keys()].map((step) => blue(left - 30 + step)); }"""
    )
    page.click("#freeze")
    page.select_option("#window", "15")
    assert max(filled) < 40, filled
    assert max(filled) > 0, "the line before and after is in what was looked at"


@pytest.mark.parametrize(
    "shares",
    [pytest.param((0, 1), id="on-any-machine"), pytest.param((0.25, 0.75), marks=pytest.mark.campaign, id="idle")],
)
def test_pictures_that_take_long_leave_half_of_the_time_to_whoever_drives(
    page: Page, shares: tuple[float, float]
) -> None:
    drawn, frames = page.evaluate(
        """() => new Promise((done) => { const seen = new Set(); let frames = 0;
            requestAnimationFrame(function slow() {
                const begun = performance.now();
                while (performance.now() - begun < 60);
                seen.add(document.body.dataset.drawn);
                if (++frames < 40) requestAnimationFrame(slow); else done([seen.size, frames]); }); })"""
    )
    print(f"pictures in {frames} slow frames: {drawn}")
    assert shares[0] * frames < drawn < shares[1] * frames


def test_pause_holds_the_loop_and_next_brings_other_noise(page: Page) -> None:
    page.click("#pause")
    waited(page, "document.getElementById('pause').getAttribute('aria-pressed') === 'true'")
    drawn = held(page)
    page.click("#pause")
    waited(page, "drawn => document.body.dataset.drawn !== drawn", drawn)
    before = page.locator("#figures dd").nth(1).inner_text()
    page.click("text=Next round")
    waited(page, "before => document.querySelectorAll('#figures dd')[1].textContent !== before", before)


def test_an_unknown_value_and_a_taken_name_are_refused_in_words(page: Page) -> None:
    # Past the page's own bounds, as a person with the browser's tools might.
    page.evaluate(
        """() => { const slider = document.getElementById("c-estimator-latency-ms");
        slider.max = 1e9; slider.value = 1e8; slider.dispatchEvent(new Event("input")); }"""
    )
    waited(page, "document.getElementById('line').textContent.startsWith('refused: ')")
    assert "latency" in page.inner_text("#line")


def difference_is_drawn(page: Page, told: dict[str, list[float]]) -> None:
    """The difference is a trace of its own, with the values that the session `told` all pages."""
    apart = page.locator("#compared-panel .tc").nth(1)
    assert apart.locator(".tc-title").inner_text() == "Difference of the forces: current minus kept, N"
    apart.scroll_into_view_if_needed()
    box = apart.locator(".u-over").bounding_box()
    assert box is not None
    for share in (0.2, 0.5, 0.8):
        page.mouse.move(box["x"] + share * box["width"], box["y"] + 20)
        shown = re.compile(r"at ([\d.]+) s: no difference 0 N, current minus kept (-?[\d.e-]+) N")
        until(lambda: shown.fullmatch(apart.locator(".tc-line").inner_text()), "the values under the pointer")  # noqa: B023
        words = apart.locator(".tc-line").inner_text()
        found = shown.fullmatch(words)
        assert found, words
        near = [value for t_s, value in zip(told["t_s"], told["difference_N"], strict=True)
                if abs(t_s - float(found[1])) < 0.2]  # fmt: skip
        assert min(abs(value - float(found[2])) for value in near) < 0.001, (words, near)
    farthest_N = max(map(abs, told["difference_N"]))
    assert farthest_N > 0.1
    assert f", by {farthest_N:.2f} N." in page.inner_text("#compared-line")


@pytest.mark.slow
def test_kept_and_current_are_compared_and_the_saved_scenario_runs_to_the_same_bits(page: Page, bench: Running) -> None:
    witness = Witness(bench.url)
    page.click("text=Keep this setting")
    waited(page, "document.getElementById('kept').textContent === 'A setting is kept.'")
    page.locator("#c-law-settings-deadband-N").fill("1.5")
    page.click("#compare")
    page.wait_for_selector("#compared:not([hidden])", timeout=1_800_000)  # it is compiled behind all other work
    waited(page, "document.getElementById('comparer').textContent === ''")  # nothing is prepared or at work any more
    assert "deadband_N" in page.inner_text("#controls")
    differing = page.locator("#compared-tables table").first.inner_text()
    assert "0.4" in differing
    assert "1.5" in differing
    error = (
        page.locator("#compared-tables table").nth(1).locator("tr", has_text="mean of |force - target|").inner_text()
    )
    _, kept, current, difference, unit = error.split("\t")
    assert unit == "N"
    assert float(difference) == pytest.approx(float(current) - float(kept), abs=0.01)
    assert float(kept) != float(current)
    difference_is_drawn(page, witness.compared)

    pace(page, 4)
    again(page)
    until(lambda: len(witness.rows.get("t_us", ())) > 300, "rows of the round")
    live = witness.rows
    page.fill("#name", "wider")
    page.click("#save button")
    waited(page, "document.getElementById('saved').textContent.includes('wider.toml')")
    told = page.inner_text("#saved")
    found = json.loads((bench.folder / "wider.session.json").read_text("utf-8"))["reproduces"]
    out = bench.folder / "run"
    ran = [sys.executable, "-m", "thenar", "--json", "run", str(bench.folder / "wider.toml"), "--out", str(out)]
    subprocess.run(ran, check=True, capture_output=True, timeout=600)
    trace = pq.read_table(out / "trace.parquet").to_pydict()
    ours = [row for row, trial in enumerate(trace["trial"]) if trial == found["index"]]
    assert f"trial {found['index']} " in told
    error_N = statistics.fmean(abs(trace["force_N"][row] - trace["target_N"][row]) for row in ours)
    assert error_N == pytest.approx(float(current), rel=0.02)  # the page shows three digits
    # Every number that the page got of the restarted round is the run's, to the last bit.
    place = {trace["t_us"][row]: row for row in ours}
    for name, values in live.items():
        saved = [trace[name][place[t_us]] for t_us in live["t_us"]]
        assert [None if math.isnan(value) else value for value in saved] == values, name

    page.click("#save button")
    waited(page, "document.getElementById('line').textContent.includes('not yet taken')")
    page.locator("#c-law-settings-deadband-N").fill("0.4")


def test_the_page_has_no_serious_accessibility_findings(page: Page) -> None:
    page.keyboard.press("Escape")
    stands(page, "LATCHED")
    for frame in page.frames:
        # It would fetch the style sheets once more, which the frame's policy forbids.
        found = Axe().run(frame, options={"preload": False})  # type: ignore[arg-type]
        grave = [one for one in found.response["violations"] if one["impact"] in {"serious", "critical"}]
        assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in grave] == []


def test_everything_can_be_reached_by_the_keyboard_and_has_a_name(page: Page) -> None:
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll("button, input, select, [tabindex='0'], iframe")].filter((it) =>
            !it.closest("[hidden]") && !(it.labels && it.labels.length) && !it.textContent.trim() && !it.title &&
            !it.getAttribute("aria-label") && !it.getAttribute("aria-labelledby")).map((it) => it.outerHTML)"""
    )
    assert unnamed == []
    reached = set()
    page.locator("body").focus()
    for _ in range(90):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))
    wanted = {"stop", "freeze", "window", "back", "pace", "pause", "cause", "c-law-settings-deadband-N", "name", "log"}
    assert wanted - reached == set()


def test_the_caution_and_the_stop_stay_in_sight_wherever_the_page_is_scrolled(page: Page) -> None:
    for size in ({"width": 1400, "height": 900}, {"width": 420, "height": 800}):
        page.set_viewport_size(size)  # type: ignore[arg-type]
        for place in ("0", "document.body.scrollHeight"):
            page.evaluate(f"window.scrollTo(0, {place})")
            for what in ("#caution", "#stop", "#stands"):
                box = page.locator(what).bounding_box()
                assert box is not None
                assert box["y"] >= 0
                assert box["y"] + box["height"] <= size["height"] / 2
                assert box["x"] + box["width"] <= size["width"]
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.set_viewport_size({"width": 1400, "height": 1000})


def test_a_scenario_of_hostile_words_is_shown_as_words(chromium: Browser, tmp_path: Path) -> None:
    bad = "<img src=x onerror=document.title='run'><script>document.title='run'</script>&amp;"
    file = long_scenario(tmp_path)
    text = file.read_text("utf-8")
    line = next(line for line in text.splitlines() if line.startswith("title = "))
    file.write_text(text.replace(line, f"title = {json.dumps(bad)}"), "utf-8")
    with running(file, tmp_path / "saved") as it, opened(chromium, it.url) as shown:
        assert shown.locator("#title").inner_text() == bad
        assert shown.title() == f"thenar bench: {bad}"
        assert shown.locator("#title *").count() == 0
