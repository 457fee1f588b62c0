"""What was measured, as tables in Markdown."""

from typing import Final

from tests.performance.live import Crowd, Figures
from tests.performance.offline import Grown, Replay

LARGE: Final = 20.0
"""From here on nobody reads decimals."""


def _table(*rows: tuple[str, ...]) -> list[str]:
    head, *rest = rows
    rule = ("---", *("---:" for _ in head[1:]))
    return [*(f"| {' | '.join(row)} |" for row in (head, rule, *rest)), ""]


def _shown(value: float) -> str:
    return f"{value:,.0f}" if value >= LARGE else f"{value:.2f}"


def live_lines(found: dict[int, dict[str, Figures]]) -> list[str]:
    """Daemon beside echo, for each quality of service."""
    lines = []
    for qos, sides in found.items():
        echo, daemon = sides["echo"], sides["daemon"]
        half, most = "latency at 200 a second, half within, ms", "99 % within, ms"
        figures = (
            ("answered messages a second", echo.rate_hz, daemon.rate_hz),
            ("processor time for each, µs", echo.cpu, daemon.cpu),
            (half, echo.quantile_ms(0.5), daemon.quantile_ms(0.5)),
            (most, echo.quantile_ms(0.99), daemon.quantile_ms(0.99)),
            ("resident memory, MB", echo.resident_kb / 1000.0, daemon.resident_kb / 1000.0),
        )
        lines += _table(
            (f"quality of service {qos}", "bare echo", "daemon", "ratio"),
            *(
                (name, _shown(plain), _shown(ours), f"{ours / plain:.2f}")
                for name, plain, ours in figures
            ),
        )
    return lines


def crowd_lines(found: list[Crowd]) -> list[str]:
    """Many tanks in the live daemon."""
    lines = _table(
        ("tanks at one message a second each", "readings, answers", "cores", "resident, MB"),
        *(
            (
                f"{each.tanks:,}",
                f"{each.sent:,}, {each.answered:,}",
                f"{each.cores:.2f}",
                f"{each.resident_kb / 1000.0:.0f}",
            )
            for each in found
        ),
    )
    if len(found) > 1:
        few, many = found[0], found[-1]
        per_tank = (many.resident_kb - few.resident_kb) / (many.tanks - few.tanks)
        lines += [f"Memory for each further tank: {per_tank:.0f} kB.", ""]
    return lines


def replay_lines(found: Replay) -> list[str]:
    """A whole replay."""
    return _table(
        ("replay, one core", "messages a second"),
        (f"{found.messages:,} messages, start of the process included", f"{found.rate_hz:,.0f}"),
        (f"behind the start of {found.empty_s:.2f} s", f"{found.steady_hz:,.0f}"),
    )


def parts_lines(found: dict[str, float]) -> list[str]:
    """Cost of a sample by part."""
    if not found:
        return ["By part: only an interpreted core can be looked into.", ""]
    return _table(
        ("a probe sample with its temperature", "µs"),
        *((part, f"{cost_us:.1f}") for part, cost_us in found.items()),
        ("together", f"{sum(found.values()):.1f}"),
    )


def grown_lines(what: str, found: list[Grown]) -> list[str]:
    """Cost against size."""
    if what == "tanks":
        # Memory is measured from outside, of the daemon: here it is that of earlier engines too.
        return _table(
            (what, "a sample with its temperature, µs"),
            *((f"{each.size:,}", f"{each.pair_us:.1f}") for each in found),
        )
    return _table(
        (what, "a sample with its temperature, µs", "saved state, kB"),
        *((f"{each.size:,}", f"{each.pair_us:.1f}", f"{each.kilobytes:,.0f}") for each in found),
    )
