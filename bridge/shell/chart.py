"""A small picture for the phone: the probe against the estimate over the last hours.

It is drawn with Pillow, which is a tenth of the size of a plotting library and brings a font. It
is optional: without it an alert is sent as text.

The probe is thin and grey, the estimate strong and blue with its uncertainty as a pale band, and
stretches in which the reading was disturbed are shaded, with the cause written above. Lines differ
in thickness and shade, not only in colour, and the newest values stand at the right in figures.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from io import BytesIO
from math import floor, log10
from pathlib import Path
from typing import Final

from PIL import Image, ImageDraw, ImageFont

from bridge.shell.chart_scale import disturbed, runs, salinity_range, step_of, time_marks
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_series import Series
from bridge.shell.page.words import decimals

WIDTH: Final = 800
HEIGHT: Final = 450
"""Pixels; sharp on a phone, some 15 kB."""
OVERSAMPLING: Final = 2
"""Drawn larger and reduced, which smooths the lines."""
HOURS: Final = 6
POINTS: Final = 360
LEFT, TOP, RIGHT, BOTTOM = 78, 62, 122, 48
"""Margins for figures and names."""
LARGE, SMALL = 24, 20
WHITE, INK, GRID = "#ffffff", "#222222", "#dddddd"
PROBE, ESTIMATE, BAND, SHADE, LIMIT = "#777777", "#0b4f9c", "#bcd4ee", "#fde6c4", "#b03030"


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where times and salinities lie in the picture."""

    from_s: float
    to_s: float
    low_psu: float
    high_psu: float

    def x(self, at_s: float) -> float:
        part = (at_s - self.from_s) / (self.to_s - self.from_s)
        return OVERSAMPLING * (LEFT + part * (WIDTH - LEFT - RIGHT))

    def y(self, psu: float) -> float:
        part = (psu - self.low_psu) / (self.high_psu - self.low_psu)
        part = min(max(part, 0.0), 1.0)
        return OVERSAMPLING * (HEIGHT - BOTTOM - part * (HEIGHT - TOP - BOTTOM))


def draw_last_hours(
    history: Path,
    tank: str,
    *,
    to_s: float,
    zone: tzinfo,
    normal_psu: tuple[float, float] | None = None,
    hours: float = HOURS,
) -> bytes | None:
    """The picture as PNG; None when there is nothing to show.

    Args:
        history: The history's file.
        tank: Whose.
        to_s: The right end. [Unix s]
        zone: For the times below.
        normal_psu: The keeper's normal band; its limits are drawn where they come into view.
        hours: Length of time shown.

    Raises:
        HistoryError: The history cannot be read.
    """
    series = HistoryReader(history).series(tank, to_s - hours * 3600, to_s, POINTS)
    return draw(series, from_s=to_s - hours * 3600, to_s=to_s, zone=zone, normal_psu=normal_psu)


def draw(
    series: Series,
    *,
    from_s: float,
    to_s: float,
    zone: tzinfo,
    normal_psu: tuple[float, float] | None = None,
) -> bytes | None:
    """As `draw_last_hours`, from data at hand."""
    span = salinity_range(series)
    if span is None:
        return None
    frame = _Frame(from_s, to_s, *span)
    image = Image.new("RGB", (OVERSAMPLING * WIDTH, OVERSAMPLING * HEIGHT), WHITE)
    pen = ImageDraw.Draw(image)
    spans = list(disturbed(series))
    _shade(pen, frame, series, spans)
    _axes(pen, frame, zone)
    _limits(pen, frame, normal_psu)
    _band(pen, frame, series)
    _line(pen, frame, series, series.probe_salinity.mean, PROBE, width=2)
    _line(pen, frame, series, series.salinity.mean, ESTIMATE, width=4)
    _heading(pen, series.tank, spans)
    _newest(pen, frame, series)
    output = BytesIO()
    # Few colours: a third of the size, and no difference to the eye.
    image.resize((WIDTH, HEIGHT), Image.Resampling.LANCZOS).quantize(128).save(
        output, "PNG", optimize=True
    )
    return output.getvalue()


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size * OVERSAMPLING)


def _text(
    pen: ImageDraw.ImageDraw,
    x: float,
    y: float,
    text: str,
    *,
    anchor: str,
    size: int = SMALL,
    fill: str = INK,
) -> None:
    pen.text((x, y), text, fill=fill, font=_font(size), anchor=anchor)


def _shade(
    pen: ImageDraw.ImageDraw,
    frame: _Frame,
    series: Series,
    spans: Sequence[tuple[float, float, str]],
) -> None:
    top, bottom = frame.y(frame.high_psu), frame.y(frame.low_psu)
    for begin_s, end_s, _ in spans:
        left = frame.x(max(begin_s, frame.from_s))
        right = frame.x(min(max(end_s, begin_s + series.width_s), frame.to_s))
        pen.rectangle((left, top, max(right, left + OVERSAMPLING), bottom), fill=SHADE)


def _heading(
    pen: ImageDraw.ImageDraw, tank: str, spans: Sequence[tuple[float, float, str]]
) -> None:
    """What is shown, and by what the shaded stretches were disturbed."""
    _text(pen, OVERSAMPLING * 12, OVERSAMPLING * 8, f"{tank}: salinity", anchor="la", size=LARGE)
    names = list(dict.fromkeys(cause for _, _, cause in spans))
    if not names:
        return
    said = f"disturbed: {', '.join(names[:2])}{' …' if len(names) > 2 else ''}"  # noqa: PLR2004
    right = OVERSAMPLING * (WIDTH - 12)
    left = right - pen.textlength(said, font=_font(SMALL)) - 8 * OVERSAMPLING
    box = (left, 6 * OVERSAMPLING, right + 4 * OVERSAMPLING, 36 * OVERSAMPLING)
    pen.rectangle(box, fill=SHADE)
    _text(pen, right, OVERSAMPLING * 21, said, anchor="rm")


def _axes(pen: ImageDraw.ImageDraw, frame: _Frame, zone: tzinfo) -> None:
    step = step_of(frame.high_psu - frame.low_psu)
    left, right = frame.x(frame.from_s), frame.x(frame.to_s)
    places = max(0, -floor(log10(step)))
    tick = -(-frame.low_psu // step) * step
    while tick <= frame.high_psu:
        y = frame.y(tick)
        pen.line((left, y, right, y), fill=GRID, width=OVERSAMPLING)
        _text(pen, left - 8 * OVERSAMPLING, y, f"{tick:.{places}f}", anchor="rm")
        tick += step
    top, bottom = frame.y(frame.high_psu), frame.y(frame.low_psu)
    for at_s, label in time_marks(frame.from_s, frame.to_s, zone):
        x = frame.x(at_s)
        pen.line((x, top, x, bottom), fill=GRID, width=OVERSAMPLING)
        _text(pen, x, bottom + 8 * OVERSAMPLING, label, anchor="ma")


def _limits(
    pen: ImageDraw.ImageDraw, frame: _Frame, normal_psu: tuple[float, float] | None
) -> None:
    for limit in normal_psu or ():
        if frame.low_psu < limit < frame.high_psu:
            y = frame.y(limit)
            left, right = frame.x(frame.from_s), frame.x(frame.to_s)
            _text(pen, left + 4 * OVERSAMPLING, y, "limit", anchor="ld", fill=LIMIT)
            dash = 12 * OVERSAMPLING
            for place in range(int((right - left) // (2 * dash)) + 1):
                start = left + 2 * dash * place
                pen.line(
                    (start, y, min(start + dash, right), y), fill=LIMIT, width=2 * OVERSAMPLING
                )


def _line(
    pen: ImageDraw.ImageDraw,
    frame: _Frame,
    series: Series,
    values: Sequence[float | None],
    colour: str,
    *,
    width: int,
) -> None:
    for run in runs(series, values):
        points = [(frame.x(at_s), frame.y(values[place] or 0.0)) for at_s, place in run]
        if len(points) > 1:
            pen.line(points, fill=colour, width=width * OVERSAMPLING, joint="curve")
        x, y = points[-1]
        radius = width * OVERSAMPLING
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour)


def _band(pen: ImageDraw.ImageDraw, frame: _Frame, series: Series) -> None:
    salinity, uncertainty = series.salinity.mean, series.uncertainty.mean
    both = [
        None if value is None or spread is None else value
        for value, spread in zip(salinity, uncertainty, strict=True)
    ]
    for run in runs(series, both):
        upper, lower = [], []
        for at_s, place in run:
            value, spread = salinity[place] or 0.0, uncertainty[place] or 0.0
            upper.append((frame.x(at_s), frame.y(value + spread)))
            lower.append((frame.x(at_s), frame.y(value - spread)))
        if len(run) > 1:
            pen.polygon([*upper, *reversed(lower)], fill=BAND)


def _newest(pen: ImageDraw.ImageDraw, frame: _Frame, series: Series) -> None:
    """The newest figures at the right, kept apart where they would overlap."""
    labels = []
    places = decimals(series.uncertainty.mean[-1] or 1.0)
    for name, band, colour in (
        ("water", series.salinity, ESTIMATE),
        ("probe", series.probe_salinity, PROBE),
    ):
        known = [value for value in band.mean if value is not None]
        if known:
            # The line keeps its name where it ended, also when there is no figure now.
            figure = "none" if band.mean[-1] is None else f"{known[-1]:.{places}f}"
            labels.append((frame.y(known[-1]), name, figure, colour))
    labels.sort()
    x = frame.x(frame.to_s) + 10 * OVERSAMPLING
    height = 46 * OVERSAMPLING
    lowest = OVERSAMPLING * (HEIGHT - BOTTOM) - height / 2
    place = OVERSAMPLING * TOP - height / 2
    for number, (y, name, figure, colour) in enumerate(labels):
        place = min(max(y, place + height), lowest - height * (len(labels) - 1 - number))
        _text(pen, x, place - 11 * OVERSAMPLING, figure, anchor="lm", size=LARGE, fill=colour)
        _text(pen, x, place + 12 * OVERSAMPLING, name, anchor="lm", fill=colour)
