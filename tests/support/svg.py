"""Just enough SVG for the charts of the docs: a white sheet, marks, text, and an axis."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from math import floor, log10
from pathlib import Path
from typing import Final

INK: Final = "#222222"
FAINT: Final = "#d8d8d8"
GREY: Final = "#8a8a8a"
# The palette of Okabe and Ito, told apart by every kind of colour vision.
BLUE: Final = "#0072b2"
SKY: Final = "#56b4e9"
ORANGE: Final = "#d55e00"
GREEN: Final = "#009e73"
YELLOW: Final = "#e69f00"
SAND: Final = "#f3cf87"
PURPLE: Final = "#cc79a7"

Point = tuple[float, float]


def number(value: float) -> str:
    """A coordinate; a tenth of a pixel is fine enough."""
    return f"{value:.1f}".removesuffix(".0")


@dataclass(slots=True)
class Sheet:
    """A drawing of fixed size; the white ground keeps it readable on dark pages."""

    width: float
    height: float
    title: str
    """Read out by screen readers."""
    parts: list[str] = field(default_factory=list)

    def box(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        """A filled rectangle."""
        self.parts.append(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}" '
            f'height="{number(height)}" fill="{fill}"/>'
        )

    def line(
        self, start: Point, end: Point, *, stroke: str = INK, width: float = 1.0, dash: str = ""
    ) -> None:
        """A straight line."""
        self.path((start, end), stroke=stroke, width=width, dash=dash)

    def path(
        self, points: Iterable[Point], *, stroke: str, width: float = 1.5, dash: str = ""
    ) -> None:
        """A line through points."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{_points(points)}" fill="none" stroke="{stroke}" '
            f'stroke-width="{number(width)}"{dashed}/>'
        )

    def area(self, points: Iterable[Point], fill: str) -> None:
        """A filled outline, half transparent."""
        self.parts.append(
            f'<polygon points="{_points(points)}" fill="{fill}" fill-opacity="0.35"/>'
        )

    def dots(self, points: Iterable[Point], *, radius: float, fill: str) -> None:
        """Filled circles."""
        circles = "".join(
            f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"/>' for x, y in points
        )
        self.parts.append(f'<g fill="{fill}">{circles}</g>')

    def text(
        self,
        at: Point,
        text: str,
        *,
        size: float = 13.0,
        anchor: str = "start",
        fill: str = INK,
        bold: bool = False,
    ) -> None:
        """Text, its baseline at the point, with a rim that keeps lines away from it."""
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{number(at[0])}" y="{number(at[1])}" font-size="{number(size)}" '
            f'text-anchor="{anchor}" fill="{fill}"{weight}>{escape(text)}</text>'
        )

    def legend(self, at: Point, entries: Sequence[tuple[str, str]]) -> None:
        """Names behind their colours, in one row."""
        x, y = at
        for name, colour in entries:
            self.box(x, y - 10.0, 12.0, 12.0, colour)
            self.text((x + 17.0, y), name)
            x += 40.0 + 7.2 * len(name)

    def render(self) -> str:
        """The whole file."""
        size = f"{number(self.width)} {number(self.height)}"
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" '
            f'width="{number(self.width)}" height="{number(self.height)}" role="img" '
            'font-family="Helvetica, Arial, Liberation Sans, sans-serif">'
            "<style>text { paint-order: stroke; stroke: #ffffff; stroke-width: 3px }</style>"
        )
        ground = '<rect width="100%" height="100%" fill="#ffffff"/>'
        title = f"<title>{escape(self.title)}</title>"
        return "\n".join([head, title, ground, *self.parts, "</svg>", ""])

    def save(self, path: Path) -> None:
        """Write the file."""
        path.write_text(self.render(), encoding="utf-8")


def _points(points: Iterable[Point]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


Scale = Callable[[float], float]
"""From a value to a coordinate."""


def linear(low: float, high: float, start: float, end: float) -> Scale:
    """A scale that maps ``low`` to ``start`` and ``high`` to ``end``."""
    return lambda value: start + (value - low) / (high - low) * (end - start)


def logarithmic(low: float, high: float, start: float, end: float) -> Scale:
    """The same with equal ratios at equal distances; values above 0."""
    straight = linear(log10(low), log10(high), start, end)
    return lambda value: straight(log10(value))


def round_steps(low: float, high: float, about: int) -> list[float]:
    """About so many round values (1, 2 or 5 of a power of ten apart) within a span."""
    raw = (high - low) / about
    power = 10.0 ** floor(log10(raw))
    step = next(each * power for each in (1.0, 2.0, 5.0, 10.0) if each * power >= raw * 0.999)
    first = floor(low / step + 0.999999)
    return [step * n for n in range(first, floor(high / step + 1e-6) + 1)]
