"""Themes: contrast, colour-blindness, no colour at all, and how they are chosen."""

from itertools import combinations
from typing import Final, cast

import numpy as np
import pytest
from rich.color import ColorType
from rich.segment import Segment
from textual.pilot import Pilot

from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.words.look import Look, ThemeName
from monitor.words.palette import (
    CONTRAST,
    MONO,
    OKABE_ITO,
    PALETTES,
    Palette,
    palette_for,
)
from tests.kit.screen_script import Clock, stories, tell, text_of

CUT = next(story for story in stories() if story.name == "cut_boost")


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_agrees_with_published_pairs() -> None:
    """W3C WCAG 2.1 SC 1.4.3, 1.4.6, 1.4.11: ratios of well-known pairs, to their last digit."""
    published = {
        ("#000000", "#FFFFFF"): 21.0,
        ("#777777", "#FFFFFF"): 4.4781,
        ("#767676", "#FFFFFF"): 4.5422,
        ("#949494", "#FFFFFF"): 3.0335,
        ("#FF0000", "#FFFFFF"): 3.9985,
        ("#0000FF", "#FFFFFF"): 8.5925,
        ("#595959", "#FFFFFF"): 7.0047,
    }
    for (one, other), ratio in published.items():
        assert _contrast(one, other) == pytest.approx(ratio, abs=5e-4)


def test_the_hues_are_the_published_ones() -> None:
    """Okabe & Ito, Color Universal Design (2002, rev. 2008); Wong, Nature Methods 8 (2011) 441."""
    on_white = [21.0, 2.252, 2.307, 3.421, 1.322, 5.185, 3.867, 3.061]
    on_black = [1.0, 9.324, 9.101, 6.138, 15.881, 4.05, 5.43, 6.86]
    for hue, white, black in zip(OKABE_ITO.values(), on_white, on_black, strict=True):
        assert _contrast(hue, "#FFFFFF") == pytest.approx(white, abs=1e-3)
        assert _contrast(hue, "#000000") == pytest.approx(black, abs=1e-3)


@pytest.mark.parametrize("palette", PALETTES, ids=lambda palette: palette.name)
def test_every_pair_in_use_can_be_read(palette: Palette) -> None:
    """WCAG 2.1: text at least 4.5 to 1, graphics 3 to 1; panes can use no style but these.

    SC 1.4.6 asks for 7 to 1 in text; the high contrast theme keeps it in graphics too.
    """
    text, graphics = (7.0, 7.0) if palette in (CONTRAST, MONO) else (4.5, 3.0)
    for styles, least in ((palette.text, text), (palette.graphic, graphics)):
        for role, style in styles.items():
            assert style.color is not None, role
            assert style.bgcolor is not None, role
            ratio = _contrast(style.color.name.upper(), style.bgcolor.name.upper())
            assert ratio >= least, (role, ratio)


def _is_text(segment: Segment) -> bool:
    return any(char.isalnum() for char in segment.text)


@pytest.mark.asyncio
@pytest.mark.parametrize("palette", PALETTES[:3], ids=lambda palette: palette.word)
async def test_every_painted_pair_can_be_read(palette: Palette) -> None:
    """What is really on the screen: panes, help, statistics, line to type in, finder, footer."""
    text, graphics = (7.0, 7.0) if palette is CONTRAST else (4.5, 3.0)
    link, clock = FakeLink(), Clock()
    look = Look(theme=cast(ThemeName, palette.word))
    app = Dashboard(lambda: link, owner=False, look=look, clock=clock)
    painted: set[tuple[str, str, bool]] = set()

    async def look_at(pilot: Pilot[str | None]) -> None:
        await pilot.pause()
        await pilot.pause()
        for strip in app.screen._compositor.render_strips(app.size):
            for segment in strip:
                style = segment.style
                if style is None or not segment.text.strip():
                    continue
                assert style.color is not None
                assert style.bgcolor is not None
                pair = [c.get_truecolor().hex.upper() for c in (style.color, style.bgcolor)]
                painted.add((pair[0], pair[1], _is_text(segment)))

    async with app.run_test(size=(140, 40)) as pilot:
        for story in stories():
            if story.name in ("healthy_pull", "cut_boost", "signal_lost", "guard_gone"):
                await tell(app, link, clock, story.told, story.seen_at_s)
                await look_at(pilot)
        for keys in (("question_mark",), ("c",), ("escape", "ctrl+p"), (*"th",)):
            await pilot.press(*keys)
            await look_at(pilot)
        await pilot.press("escape")
        app.run_worker(app.ask("Note", "why"))
        await look_at(pilot)
    assert len(painted) >= 8
    for ink, ground, is_text in painted:
        ratio = _contrast(ink, ground)
        assert ratio >= (text if is_text else graphics), (ink, ground, is_text, ratio)


# --- colour-blindness ---------------------------------------------------------------------------

# Machado, Oliveira, Fernandes: A physiologically-based model for simulation of color vision
# deficiency, IEEE TVCG 15 (2009) 1291, severity 1.0, in linear RGB. Figures from memory; each row
# adds up to 1 (grey stays grey), which is checked.
BLIND: Final = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "all cones": np.eye(3).tolist(),
}
# IEC 61966-2-1 (sRGB): from linear RGB to CIE XYZ, white point D65.
TO_XYZ: Final = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
APART: Final = 10.0  # CIE 1976 distance; 2.3 is just noticed side by side (Mahy et al. 1994)


def _seen(colour: str, eye: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return a colour in CIE L*a*b* (1976), as an eye with such cones sees it."""
    parts = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.array(BLIND[eye]) @ linear, 0.0, 1.0)
    share = (TO_XYZ @ linear) / TO_XYZ.sum(axis=1)
    x, y, z = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])


def test_the_simulated_eyes_see_what_they_should() -> None:
    """Greys stay, L*a*b* of pure red is the published one, and red and green fall together."""
    for rows in BLIND.values():
        assert np.sum(rows, axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=2e-6)
    # Red in sRGB, D65 (from memory, in any table of sRGB in CIELAB): 53.24, 80.09, 67.20.
    assert _seen("#FF0000", "all cones") == pytest.approx([53.24, 80.09, 67.20], abs=0.05)
    red, green = "#B04040", "#607840"
    apart = {eye: float(np.linalg.norm(_seen(red, eye) - _seen(green, eye))) for eye in BLIND}
    assert apart["all cones"] > 50.0
    assert apart["deutan"] < 0.35 * apart["all cones"]


@pytest.mark.parametrize("eye", BLIND)
@pytest.mark.parametrize("palette", PALETTES[:3], ids=lambda palette: palette.word)
def test_the_action_colours_stay_apart_for_every_eye(palette: Palette, eye: str) -> None:
    """Ground, warn, pull, cut and unknown: no two look alike, whatever cones are missing."""
    grounds = {role: _ground(palette, role) for role in ("calm", "warn", "pull", "cut", "unknown")}
    for (one, left), (other, right) in combinations(grounds.items(), 2):
        apart = float(np.linalg.norm(_seen(left, eye) - _seen(right, eye)))
        assert apart > APART, (one, other, apart)


def _ground(palette: Palette, role: str) -> str:
    colour = palette.text[role].bgcolor
    assert colour is not None
    return colour.name.upper()


# --- without colour -----------------------------------------------------------------------------


def test_without_colour_no_two_roles_look_alike() -> None:
    """Bold, underline and reverse are enough to tell every role that must be told."""
    told = ("ink", "calm", "warn", "pull", "cut", "unknown")
    looks = [
        (bool(style.bold), bool(style.underline), bool(style.reverse))
        for style in (MONO.text[role] for role in told)
    ]
    assert len(set(looks)) == len(told)


async def _painted(app: Dashboard, link: FakeLink, clock: Clock) -> tuple[str, list[Segment]]:
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, CUT.told, CUT.seen_at_s)
        await pilot.pause()
        strips = app.screen._compositor.render_strips(app.size)
        return text_of(app), [segment for strip in strips for segment in strip]


@pytest.mark.asyncio
@pytest.mark.parametrize("theme", ["auto", "mono", "dark"])
async def test_without_colour_the_words_carry_it(
    theme: ThemeName, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With NO_COLOR no colour is sent; asked for a theme all the same, it is grey."""
    monkeypatch.setenv("NO_COLOR", "1")
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, look=Look(theme=theme), clock=clock)
    shown, painted = await _painted(app, link, clock)
    assert "▬ CUT BOOST" in shown
    styles = [segment.style for segment in painted if segment.style is not None]
    colours = {c for style in styles for c in (style.color, style.bgcolor) if c is not None}
    if theme == "dark":
        assert len(colours) > 2
        triples = [colour.get_truecolor() for colour in colours]
        assert all(max(triple) - min(triple) <= 1 for triple in triples)
        return
    assert {colour.type for colour in colours} == {ColorType.DEFAULT}
    chip = next(s.style for s in painted if "▬ CUT BOOST" in s.text)
    assert chip is not None
    assert chip.reverse
    assert chip.underline


@pytest.mark.asyncio
async def test_without_colour_the_finder_shows_its_place() -> None:
    """The line that enter would do is underlined, and the cursor is reversed."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, look=Look(theme="mono"), clock=clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("ctrl+p")
        await pilot.pause()
        while any(one.is_running for one in app.workers if one.node is app.screen):
            await pilot.pause()
        await pilot.press("down")
        await pilot.pause()
        strips = app.screen._compositor.render_strips(app.size)
        under = [
            segment.text
            for strip in strips
            for segment in strip
            if segment.style is not None and segment.style.underline and segment.text.strip()
        ]
        assert len([text for text in under if "(" in text]) == 1
        assert any(s.style is not None and s.style.reverse for strip in strips for s in strip)


@pytest.mark.asyncio
async def test_the_theme_key_goes_round() -> None:
    """Each press changes every cell's ground to the next theme's, and comes back to the first."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        for palette in (*PALETTES[1:], PALETTES[0]):
            await pilot.press("t")
            await pilot.pause()
            assert f"theme {palette.word}" in text_of(app)
            strips = app.screen._compositor.render_strips(app.size)
            styles = [segment.style for strip in strips for segment in strip]
            grounds = [style.bgcolor for style in styles if style is not None]
            wanted = [
                ground is not None
                and (
                    ground.type is ColorType.DEFAULT
                    if palette.colourless
                    else ground.get_truecolor().hex.upper() == palette.ground
                )
                for ground in grounds
            ]
            assert sum(wanted) > len(wanted) / 2


def test_themes_are_chosen_by_a_word() -> None:
    """Every word of the command line has its palette, and nothing else has."""
    assert palette_for("auto", no_color=False) is PALETTES[0]
    assert palette_for("auto", no_color=True) is MONO
    assert [palette_for(one.word, no_color=True) for one in PALETTES] == list(PALETTES)
    with pytest.raises(ValueError, match="found plaid, expected auto, dark, light, contrast, mono"):
        palette_for("plaid", no_color=False)
