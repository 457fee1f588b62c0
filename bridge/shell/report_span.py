"""From when to when a report goes, as a keeper says it."""

import re
from datetime import datetime, tzinfo
from typing import Final

from bridge.core.errors import UserError

UNITS_S: Final = {"h": 3600.0, "d": 86_400.0, "w": 604_800.0}
LONGEST_S: Final = 3660 * 86_400.0
ACCEPTED: Final = "write a day like 2026-03-01, or a time like 2026-03-01T08:00"
_LAST: Final = re.compile(r"(\d{1,6})([hdw])")


def span(
    from_text: str | None, to_text: str | None, last: str | None, *, now_s: float, zone: tzinfo
) -> tuple[float, float]:
    """Begin and end, in Unix seconds.

    Args:
        from_text: The begin; needed without ``last``.
        to_text: The end, not included; left out or to come, now.
        last: A length such as ``7d``; the report then ends now.
        now_s: Now. [Unix s]
        zone: Of times without an offset from UTC.

    Raises:
        UserError: What is wrong and what is accepted.
    """
    if last is not None:
        if from_text is not None or to_text is not None:
            raise UserError("--last stands alone; leave out --from and --to")
        match = _LAST.fullmatch(last)
        length_s = 0.0 if match is None else int(match[1]) * UNITS_S[match[2]]
        if not 0 < length_s <= LONGEST_S:
            raise UserError(
                f'--last: "{last}" is not understood; write hours, days or weeks, '
                "such as 24h, 7d or 4w, ten years at most"
            )
        return now_s - length_s, now_s
    if from_text is None:
        raise UserError("say which time the report is about: --last 7d, or --from and --to")
    from_s = moment("--from", from_text, zone)
    to_s = now_s if to_text is None else min(now_s, moment("--to", to_text, zone))
    if to_s <= from_s:
        raise UserError("--from has to be earlier than --to, and earlier than now")
    if to_s - from_s > LONGEST_S:
        raise UserError("the time from --from to --to is longer than ten years")
    return from_s, to_s


def moment(option: str, text: str, zone: tzinfo) -> float:
    """A day or a time, in the keeper's zone unless it says another, in Unix seconds.

    Raises:
        UserError: It is neither.
    """
    try:
        read = datetime.fromisoformat(text)
        return (read if read.tzinfo is not None else read.replace(tzinfo=zone)).timestamp()
    except (ValueError, OverflowError) as error:
        raise UserError(f'{option}: "{text}" is not a time; {ACCEPTED}') from error
