"""Still pictures: the screen's cells, whole and in place, in SVG and in PNG."""

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar
from xml.etree import ElementTree as Xml

import pytest
from hypothesis import example, given
from hypothesis import strategies as some
from PIL import Image
from rich.segment import Segment
from rich.style import Style
from textual.app import App, ComposeResult
from textual.strip import Strip
from textual.widget import Widget

from monitor.pictures.cells import MOST_IN_A_CELL, Cell, Look, Still, fit, split, still
from monitor.pictures.png import SCALE, to_png
from monitor.pictures.shapes import CELL_HEIGHT, CELL_WIDTH, MARGIN, shapes
from monitor.pictures.svg import to_svg
from monitor.pictures.write import write
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from simulator.strict import BadInput
from tests.kit.screen_script import SIZES, Clock, Story, stories, tell, text_of

SVG = "{http://www.w3.org/2000/svg}"
LOOK = Look((255, 255, 255), (0, 0, 0))
# Textual counts the last sign as two cells, because of what follows it; a font as one.
ODD = "a<b>&\"']]>漢字x שלום y e\u0301 z \u2764\ufe0f"


def made_of(*lines: str) -> Still:
    """Return a still of these lines, each filled up to the longest."""
    rows = [tuple(split(line, LOOK)) for line in lines]
    widths = [sum(cell.width for cell in row) for row in rows]
    width = max(1, *widths)
    filled = [
        row + (Cell(" ", 1, LOOK),) * (width - used) for row, used in zip(rows, widths, strict=True)
    ]
    return Still(width, len(rows), tuple(filled), LOOK.ground)


def inside(taken: Still) -> Image.Image:
    """Return a still as PNG, without the margin, which is empty all around."""
    image = Image.open(io.BytesIO(to_png(taken)))
    assert image.format == "PNG"
    edge = MARGIN * SCALE
    box = (edge, edge, image.width - edge, image.height - edge)
    within = image.crop(box)
    image.paste(taken.ground, box)
    assert image.getcolors(4) == [(image.width * image.height, taken.ground)]
    return within


def strictly(text: str) -> Xml.Element:
    """Parse XML that declares nothing and refers to nothing outside itself."""
    assert not re.search(r"<!|<\?(?!xml )|href|url\(|@import|<style|<script", text)
    assert text.count("http") == 1  # the name of SVG itself
    return Xml.fromstring(text)


def read_back(root: Xml.Element) -> dict[tuple[int, int], str]:
    """Return text and braille by their first cell, from where they are drawn."""
    found: dict[tuple[int, int], str] = {}
    for text in root.iter(f"{SVG}text"):
        x, rest = divmod(int(text.attrib["x"]), CELL_WIDTH)
        assert rest == 0
        y = int(text.attrib["y"]) // CELL_HEIGHT
        cells = list(split(text.text or "", LOOK))
        assert sum(cell.width for cell in cells) * CELL_WIDTH == int(text.attrib["textLength"])
        for cell in cells:
            found[x, y] = cell.text
            x += cell.width
    bits = {(0, 0): 0, (0, 1): 1, (0, 2): 2, (1, 0): 3, (1, 1): 4, (1, 2): 5, (0, 3): 6, (1, 3): 7}
    for dot in root.iter(f"{SVG}circle"):
        left, column = divmod(float(dot.attrib["cx"]) / CELL_WIDTH, 1.0)
        top, row = divmod(float(dot.attrib["cy"]) / CELL_HEIGHT, 1.0)
        at = (int(left), int(top))
        bit = bits[int(column * 2), int(row * 4)]
        found[at] = chr(ord(found.get(at, "\u2800")) | 1 << bit)
    return found


async def told(story: Story, size: tuple[int, int], *keys: str) -> tuple[Still, str]:
    """Return a story's still, and its text as the screen tests read it."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        await tell(app, link, clock, story.told, story.seen_at_s)
        await pilot.press(*keys)
        await pilot.pause()
        return still(app, "Sorrel & <co>"), text_of(app)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("story", [stories()[0], stories()[3]], ids=lambda story: story.name)
@pytest.mark.asyncio
async def test_the_dashboard_is_in_the_picture_cell_by_cell(
    story: Story, size: tuple[int, int]
) -> None:
    """What the screen tests read is what stands in the still, and in the SVG drawn from it."""
    taken, text = await told(story, size)
    assert (taken.width, taken.height) == size
    assert [sum(cell.width for cell in row) for row in taken.rows] == [size[0]] * size[1]
    assert "\n".join(taken.lines()).rstrip() == text.rstrip()
    root = strictly(to_svg(taken))
    drawn = read_back(root)
    for x, y, cell in taken.placed():
        made = shapes(cell.text)
        if made is None or "\u2800" < cell.text <= "\u28ff":
            assert drawn.pop((x, y), " ") == cell.text, (x, y)
    assert set(drawn.values()) <= {" "}
    assert root.findtext(f"{SVG}title") == "Sorrel & <co>"
    assert "Sorrel 2.0" in (root.findtext(f"{SVG}desc") or "") or story.name == "waiting"
    assert root.attrib["width"] == str(size[0] * CELL_WIDTH + 2 * MARGIN)


@pytest.mark.asyncio
async def test_themes_and_colours_are_in_the_picture() -> None:
    """The banner of a cut is vermillion, in dark and in light; grounds are the theme's."""
    vermillion = (0xD5, 0x5E, 0x00)
    for keys, ground in (((), (12, 13, 14)), (("t",), (255, 255, 255))):
        taken, _ = await told(stories()[3], (80, 24), *keys)
        banner = taken.rows[0][3].look
        assert banner.ground == vermillion
        assert banner.bold
        assert sum(abs(a - b) for a, b in zip(taken.ground, ground, strict=True)) < 30
        image = inside(taken)
        assert image.size == (80 * CELL_WIDTH * SCALE, 24 * CELL_HEIGHT * SCALE)
        assert image.getpixel((image.width - 1, image.height - 1)) == taken.ground
        assert image.getpixel((1 * CELL_WIDTH * SCALE, 1)) == vermillion


class Raw(Widget):
    """Shows strips as they are given."""

    DEFAULT_CSS = "Raw { width: 100%; height: 100%; }"
    rows: ClassVar[list[Strip]] = []

    def render_line(self, y: int) -> Strip:
        """Return one of them."""
        return self.rows[y] if y < len(self.rows) else Strip.blank(self.size.width)


class Odd(App[None]):
    """Shows nothing but that."""

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Raw()


@pytest.mark.asyncio
async def test_odd_text_shifts_nothing() -> None:
    """Wide, right-to-left and marked text, looks of every kind: what follows stands in place."""
    Raw.rows = [
        Strip([Segment(ODD, Style(bold=True)), Segment("|", Style(color="#ff0000"))]),
        Strip(
            [
                Segment("re", Style(reverse=True, color="#010203", bgcolor="#f0f0f0")),
                Segment("di", Style(dim=True, color="#808080", bgcolor="#000000")),
                Segment("un", Style(underline=True, strike=True, italic=True)),
                Segment("co", Style(conceal=True, color="#ff0000", bgcolor="#00ff00")),
            ]
        ),
        Strip([Segment("漢" * 40)]),
    ]
    app = Odd()
    async with app.run_test(size=(31, 4)) as pilot:
        await pilot.pause()
        taken = still(app)
    at = next((x, cell) for x, y, cell in taken.placed() if y == 0 and cell.text == "|")
    assert at[0] == Segment(ODD).cell_length
    assert at[1].look.ink == (255, 0, 0)
    looks = [cell.look for cell in taken.rows[1]]
    assert (looks[0].ink, looks[0].ground) == ((0xF0,) * 3, (1, 2, 3))
    assert 0 < looks[2].ink[0] < 0x80
    assert looks[4].underlined
    assert looks[4].struck
    assert looks[4].italic
    assert looks[6].ink == looks[6].ground == (0, 255, 0)
    assert [cell.width for cell in taken.rows[2]] == [2] * 15 + [1]  # half a character is none

    root = strictly(to_svg(taken))
    grounds = {
        (rect.attrib["x"], rect.attrib["y"], rect.attrib["width"]): rect.attrib["fill"]
        for rect in root.iter(f"{SVG}rect")
        if "x" in rect.attrib and rect.attrib["height"] == str(CELL_HEIGHT)
    }
    assert grounds["0", "18", "18"] == "#010203"
    assert grounds["54", "18", "18"] == "#00ff00"
    bar = next(text for text in root.iter(f"{SVG}text") if text.text == "|")
    assert int(bar.attrib["x"]) == at[0] * CELL_WIDTH
    image = inside(taken)
    middle = (at[0] * CELL_WIDTH * 2 + CELL_WIDTH, CELL_HEIGHT)
    assert image.getpixel(middle) == (255, 0, 0)


def test_a_wide_character_is_whole_or_left_out() -> None:
    """Three cells hold one of width two, and an empty one."""
    assert [cell.text for cell in fit(split("漢字", LOOK), 3, LOOK)] == ["漢", " "]


@pytest.mark.asyncio
async def test_a_huge_screen_is_refused() -> None:
    """A picture is bounded."""
    app = Odd()
    Raw.rows = []
    async with app.run_test(size=(301, 4)):
        with pytest.raises(BadInput, match="found a screen of 301x4 cells, expected 1x1 to"):
            still(app)


@example("\x1b[31m\x00\ud800\u202e\ufffe\U000e0001")
@example("a" + "\u0301" * 50)
@given(some.text(some.characters(codec=None), max_size=40))
def test_any_text_makes_whole_cells_and_whole_xml(text: str) -> None:
    """No control, surrogate or endless stack of marks gets into a cell; every picture parses."""
    taken = made_of(text, ODD)
    for row in taken.rows:
        for cell in row:
            assert cell.width in {1, 2}
            assert 1 <= len(cell.text) <= MOST_IN_A_CELL
            assert cell.text.isprintable()
    root = strictly(to_svg(taken).replace("http", "h__p").replace("h__p", "http", 1))
    assert root.findtext(f"{SVG}desc") == "\n".join(taken.lines())


def test_pixels_are_where_the_cells_are() -> None:
    """Blocks fill to the edge, dots are round and apart, lines are whole pixels."""
    image = inside(made_of("█⣿│▌"))
    assert (image.size, image.mode) == ((72, 36), "RGB")
    white, black = LOOK.ink, LOOK.ground

    def colours(box: tuple[int, int, int, int]) -> set[Any]:
        return {color for _, color in image.crop(box).getcolors(10_000) or []}

    assert colours((0, 0, 18, 36)) == {white}
    for x in (4, 13):
        for y in (4, 13, 22, 31):
            assert image.getpixel((18 + x, y)) == white
    assert colours((18 + 8, 0, 18 + 10, 36)) == {black}  # between the columns of dots
    assert colours((36 + 8, 0, 36 + 10, 36)) == {white}
    assert colours((36, 0, 36 + 8, 36)) == colours((36 + 10, 0, 54, 36)) == {black}
    assert colours((54, 0, 63, 36)) == {white}
    assert colours((63, 0, 72, 36)) == {black}


def test_lines_are_as_thick_as_the_scale_and_corners_are_full() -> None:
    """One unit of a cell's 9 x 18 for a light line, two for a heavy one."""
    for char, thick in (("└", 1), ("┏", 2)):
        image = inside(made_of(char)).convert("L")
        down = 0 if char == "└" else 18 * SCALE - 1
        column = [x for x in range(9 * SCALE) if image.getpixel((x, down))]
        row = [y for y in range(18 * SCALE) if image.getpixel((9 * SCALE - 1, y))]
        assert len(column) == len(row) == thick * SCALE
        assert all(image.getpixel((x, y)) for x in column for y in row)


def test_no_glyph_leaves_its_cell() -> None:
    """A wide glyph, one in another font, and one in no font stay between their neighbours."""
    blank = inside(made_of(" " * 8)).tobytes()
    for char in ("漢", "ש", "W", "\u01c4", "😀"):
        taken = made_of(f"  {char}  ")
        image = inside(taken)
        width = (taken.width - 4) * 18
        assert image.crop((36, 0, 36 + width, 36)).getbbox() is not None, char
        image.paste(LOOK.ground, (36, 0, 36 + width, 36))
        assert image.getbbox() is None, char
    assert not any(blank)


def test_the_same_still_is_the_same_file() -> None:
    """So that two pictures can be compared."""
    taken = made_of("▼ PULL TIMING ⠤⠤ 漢")
    assert to_png(taken) == to_png(taken)
    assert to_svg(taken) == to_svg(taken)


def test_writing_goes_by_the_ending_and_overwrites_nothing(tmp_path: Path) -> None:
    """Files are new, whole, and of the kind their name says."""
    taken = made_of("x")
    write(taken, tmp_path / "a.svg")
    write(taken, tmp_path / "b.PNG")
    assert strictly((tmp_path / "a.svg").read_text(encoding="utf-8")).tag == f"{SVG}svg"
    with Image.open(tmp_path / "b.PNG") as image:
        assert image.format == "PNG"
    before = (tmp_path / "a.svg").read_bytes()
    with pytest.raises(BadInput, match="nothing is overwritten"):
        write(replace(taken, title="other"), tmp_path / "a.svg")
    assert (tmp_path / "a.svg").read_bytes() == before


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("a.jpg", "found .jpg, expected .svg or .png"),
        ("a", "found no ending, expected .svg or .png"),
        ("no/folder/a.svg", "found no such file or directory, expected a file to write"),
        ("a\0.svg", "expected a file to write"),
    ],
)
def test_a_name_that_cant_be_written_is_refused_in_one_line(
    tmp_path: Path, name: str, found: str
) -> None:
    """One clear line, and nothing left behind."""
    with pytest.raises(BadInput, match=re.escape(found)) as refused:
        write(made_of("x"), tmp_path / name)
    assert "\n" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []
