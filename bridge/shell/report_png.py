"""A report as one picture: the chart of each tank and the key figures below it."""

from collections.abc import Sequence
from io import BytesIO
from textwrap import wrap
from typing import Final

from PIL import Image, ImageDraw, ImageFont

from bridge.shell.chart import INK, WHITE, WIDTH, draw
from bridge.shell.report_facts import Facts, suggestions
from bridge.shell.report_words import NO_BREAK, key_figures, zone_words

MARGIN: Final = 16
LARGE, SMALL = 22, 17
LINE: Final = 25
NAME_WIDTH: Final = 190
LETTERS: Final = 66
"""That fit beside a name."""
LETTERS_ACROSS: Final = 86
SOFT: Final = "#555555"
MOST_SUGGESTIONS: Final = 3
MINUTES: Final = "%Y-%m-%d %H:%M"

Line = tuple[int, str, int, str]
"""Place from the left, words, size and colour."""


def render_png(tanks: Sequence[Facts]) -> bytes:
    """The report as PNG.

    Args:
        tanks: One or more, all over the same time.
    """
    parts = [_tank(facts) for facts in tanks]
    image = Image.new("RGB", (WIDTH, sum(part.height for part in parts)), WHITE)
    top = 0
    for part in parts:
        image.paste(part, (0, top))
        top += part.height
    output = BytesIO()
    image.quantize(128).save(output, "PNG", optimize=True)
    return output.getvalue()


def _tank(facts: Facts) -> Image.Image:
    limits = facts.tank.limits
    chart = draw(
        facts.series,
        from_s=facts.from_s,
        to_s=facts.to_s,
        zone=facts.zone,
        normal_psu=(limits.low_psu, limits.high_psu),
    )
    picture = None if chart is None else Image.open(BytesIO(chart)).convert("RGB")
    rows = _rows(facts)
    top = 0 if picture is None else picture.height
    image = Image.new("RGB", (WIDTH, top + 2 * MARGIN + LINE * len(rows)), WHITE)
    if picture is not None:
        image.paste(picture, (0, 0))
    pen = ImageDraw.Draw(image)
    for number, row in enumerate(rows):
        for x, words, size, colour in row:
            place = (x, top + MARGIN + LINE * number)
            # The font has no glyph for the blank that kept a number and its unit together.
            shown = words.replace(NO_BREAK, " ")
            pen.text(place, shown, fill=colour, font=ImageFont.load_default(size))
    return image


def _rows(facts: Facts) -> list[list[Line]]:
    begin, end = facts.at(facts.from_s), facts.at(facts.to_s)
    rows: list[list[Line]] = [
        [(MARGIN, facts.title, LARGE, INK)],
        [(MARGIN, f"{begin:{MINUTES}} to {end:{MINUTES}}", SMALL, SOFT)],
        [(MARGIN, f"Times are in {zone_words(facts.zone, facts.to_s)}.", SMALL, SOFT)],
        [],
    ]
    if facts.empty:
        return [*rows, [(MARGIN, "Nothing was recorded in this time.", SMALL, INK)]]
    for name, value in key_figures(facts):
        for number, words in enumerate(wrap(value, LETTERS)):
            row: list[Line] = [(MARGIN + NAME_WIDTH, words, SMALL, INK)]
            if number == 0:
                row.append((MARGIN, name, SMALL, SOFT))
            rows.append(row)
    found = suggestions(facts)[:MOST_SUGGESTIONS]
    if found:
        rows += [[], [(MARGIN, "What to do", SMALL, SOFT)]]
    for number, sentence in enumerate(found, start=1):
        rows += [
            [(MARGIN, words, SMALL, INK)] for words in wrap(f"{number}. {sentence}", LETTERS_ACROSS)
        ]
    return rows
