"""Figures in US units: factors, ready-made sentences, and the screen as a whole."""

import re

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.attach.protocol import Notice
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.words.look import Look
from monitor.words.units import ALL_UNITS, METRIC, US
from tests.kit.screen_messages import event_turn
from tests.kit.screen_script import Clock, event, frame, hello, rows, stories, tell, text_of

# NIST SP 811 (2008), appendix B.8: kPa per psi, mL per US gallon and per US fluid ounce.
PSI_KPA, GALLON_ML, OUNCE_ML = 6.894757, 3785.412, 29.57353
REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()
PINT_NAMES = {
    "kPa": ("kilopascal", "psi"),
    "°C": ("degC", "degF"),
    "K": ("delta_degC", "delta_degF"),
    "mL/min": ("milliliter/minute", "gallon/hour"),
    "mL/s": ("milliliter/second", "fluid_ounce/second"),
    "mL": ("milliliter", "fluid_ounce"),
    "kg": ("kilogram", "pound"),
    "kg/h": ("kilogram/hour", "pound/hour"),
    "kW": ("kilowatt", "horsepower"),
    "N m": ("newton*meter", "foot*force_pound"),
    "mm": ("millimeter", "inch"),
    "cm": ("centimeter", "inch"),
    "km": ("kilometer", "mile"),
    "km/h": ("kilometer/hour", "mile/hour"),
    "kg/m3": ("kilogram/meter**3", "pound/gallon"),
}


def test_the_factors_are_the_published_ones() -> None:
    """NIST SP 811 (2008), appendix B: to the seven digits printed there."""
    assert US.value(PSI_KPA, "kPa") == pytest.approx(1.0, rel=2e-7)
    assert US.value(GALLON_ML / 60.0, "mL/min") == pytest.approx(1.0, rel=2e-7)
    assert US.value(OUNCE_ML, "mL") == pytest.approx(1.0, rel=2e-7)
    assert [US.value(t, "°C") for t in (0.0, 100.0, -40.0)] == [32.0, 212.0, -40.0]
    assert US.value(5.0, "K") == 9.0


@pytest.mark.parametrize("unit", US.measures)
@given(value=some.floats(-1e5, 1e5))
def test_every_conversion_agrees_with_pint(unit: str, value: float) -> None:
    """The general library, over the whole range, temperatures with their offset included."""
    given_unit, wanted = PINT_NAMES[unit]
    library = REGISTRY.Quantity(value, given_unit).to(wanted).magnitude
    assert US.value(value, unit) == pytest.approx(library, rel=1e-9, abs=1e-9)
    assert METRIC.value(value, unit) == value


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        (
            "evidence 17 of 16: no car this rig allows for would read 300 of 500 mL/min for "
            "240 ms at 150 kPa boost; 0.09 s of full flow (0.83 mL) missing: pull 5.5 deg.",
            "evidence 17 of 16: no car this rig allows for would read 4.76 of 7.93 gal/h for "
            "240 ms at 21.8 psi boost; 0.09 s of full flow (0.83 mL) missing: pull 5.5 deg.",
        ),
        ("Cut boost to 100 kPa and pull 3.0 deg", "Cut boost to 14.5 psi and pull 3.0 deg"),
        ("intake 71.5 degC has been above", "intake 160.7 °F has been above"),
        ("by only 3.2 K, less than 5.0 K", "by only 5.8 °F, less than 9.0 °F"),
        ("at -60 kPa boost", "at -8.7 psi boost"),
        ("600 mL left in the tank, 72 s of spray", "20.3 fl oz left in the tank, 72 s of spray"),
        ("limits.boost.above 190 -> 200 kPa", "limits.boost.above 27.6 -> 29.0 psi"),
        ("boost reads -101 instead of 172 kPa", "boost reads -14.6 instead of 24.9 psi"),
        ("tank falls 33 mL/s faster", "tank falls 1.12 fl oz/s faster"),
        ("23.4 °C.", "74.1 °F."),
    ],
)  # fmt: skip
def test_the_guards_sentences_are_converted(metric: str, us: str) -> None:
    """Known units right behind plain numbers, pairs that share one, and nothing else."""
    assert US.sentence(metric) == us
    assert METRIC.sentence(metric) == metric


@pytest.mark.parametrize(
    "words",
    [
        "boost_kPa 150",
        "150kPa",
        "x150 kPa",
        "1.2.3 kPa",
        "1,500 kPa",
        "1e3 kPa",
        "150 kPa/s",
        "150 kPa·s",
        "5 K2",
        "port COM3 K-line",
        "debt 0.83 mL",
        "150 mL",
        "3 mL/minute",
        "27 psi",
        "12345678901234567890 kPa",
        "٣ kPa",
        "of 5 kPam",
        "3-5 kPa",
    ],
)
def test_what_is_no_plain_figure_is_left_alone(words: str) -> None:
    """Compound units, unusual numbers and look-alikes stay as they were told."""
    assert US.sentence(words) == words


@given(
    some.text(max_size=30),
    some.floats(-1e6, 1e6),
    some.sampled_from(["kPa", "degC", "°C", "K", "mL/min", "mL", "psi", "gal/h", "%", "m"]),
    some.integers(0, 3),
    some.text(max_size=30),
)
def test_converting_twice_changes_nothing_more(
    before: str, value: float, unit: str, decimals: int, after: str
) -> None:
    """Whatever stands around a figure: once is enough, and words without figures stay."""
    text = f"{before}{value:.{decimals}f} {unit}{after}"
    once = US.sentence(text)
    assert US.sentence(once) == once
    letters = re.sub(r"[-\d.]", "", text)
    if not any(known in letters for known in ("kPa", "degC", "°C", "K", "mL")):
        assert once == text


@given(some.floats(-1e4, 1e4), some.sampled_from(["kPa", "degC", "mL/min"]))
def test_a_sentence_says_what_a_pane_shows(value: float, unit: str) -> None:
    """The converter of sentences and the one of figures agree to the digit."""
    rounded = f"{value:.1f}"
    metric = "°C" if unit == "degC" else unit
    assert US.sentence(f"at {rounded} {unit} now") == f"at {US.told(float(rounded), metric, 1)} now"


METRIC_UNITS = re.compile(r"\d (kPa|°C|degC|mL/min|K)\b|mL/min")


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [(80, 24), (140, 40)], ids=str)
@pytest.mark.parametrize("name", ["healthy_pull", "pull_timing", "cut_boost", "signal_lost"])
async def test_no_metric_figure_is_left_on_a_us_screen(name: str, size: tuple[int, int]) -> None:
    """Whatever pane and whatever road a figure takes; debt alone stays in mL."""
    story = next(story for story in stories() if story.name == name)
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, look=Look(units="us"), clock=clock)
    async with app.run_test(size=size) as pilot:
        await tell(app, link, clock, story.told, story.seen_at_s)
        likely = Notice("rates", "boost 190 -> 200 kPa")
        await tell(app, link, clock, [(clock.now_s, [likely])], clock.now_s)
        await pilot.pause()
        shown = text_of(app)
        assert not METRIC_UNITS.search(shown), METRIC_UNITS.search(shown)
        assert "gal/h" in shown
        assert "27.6 -> 29.0 psi" in shown
        await pilot.press("u")
        await pilot.pause()
        shown = text_of(app)
        assert "Spray flow, mL/min" in shown
        assert "psi" not in shown
        assert app.units is METRIC
        await pilot.press("u")
        assert app.units is ALL_UNITS[1] is US


@pytest.mark.asyncio
async def test_us_figures_stand_in_their_places() -> None:
    """Plot axis, legend, banner, channels with limits and cuts, events: all in the same units."""
    cut = frame(
        "Cut boost to 100 kPa: under-delivery.",
        rows(17.0, 19.0, share=0.4, evidence=32.0, debt_s=0.6, action=3),
        1900,
        boost_ceiling_kpa=100.0,
    )
    turn = event_turn("raised", event(action="cut_boost", boost_ceiling_kpa=100.0))
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, look=Look(units="us"), clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), cut, turn])], 100.1)
        await pilot.pause()
        lines = text_of(app).splitlines()
        for start, words in (
            ("  ▬ CUT BOOST", "to 14.5 psi"),
            (" Cut boost", "to 14.5 psi"),
            (" Spray flow, gal/h", "! short by 4.76"),
            ("    10┤", ""),
            ("     5┤", ""),
            (">", "to 14.5 psi, 5.5 deg, 0.83 mL"),
        ):
            assert any(line.startswith(start) and words in line for line in lines), start
        boost = next(line for line in lines if " boost " in line and "psi" in line)
        assert " 21.8 psi" in next(line for line in lines if " boost   " in line)
        assert "! over cut 14.5" in boost or "! over cut 14.5" in "\n".join(lines)
        assert any(" 104 °F" in line for line in lines)
        assert "max 158" in "\n".join(lines)
        assert "0.60 s ▕▅" in "\n".join(lines)
