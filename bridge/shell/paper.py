"""A page that is one file: its style inside, no script, nothing fetched, fit for a printer."""

import re
from html import escape
from typing import Final

_STYLE: Final = """
:root { color-scheme: light dark; --ink: #1c2b33; --soft: #51626b; --paper: #fdfdfb;
  --line: #9aa7ad; --first: #1f6f8b; --second: #b3541e; }
@media (prefers-color-scheme: dark) { :root { --ink: #e3e9ec; --soft: #a9b6bc; --paper: #14191c;
  --line: #5c6a70; --first: #6fc3df; --second: #f0a070; } }
body { font: 16px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper);
  max-width: 44rem; margin: 2rem auto; padding: 0 1rem; }
svg { width: 100%; height: auto; } svg text { font-size: 11px; fill: var(--ink); }
.axis { stroke: var(--line); stroke-width: 1; }
"""
_UNPRINTABLE: Final = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
"""What XML 1.0 forbids or discourages, and line ends."""


def text(words: object) -> str:
    """Words, safe between tags and in attributes; characters no page may hold become blanks."""
    return escape(_UNPRINTABLE.sub(" ", str(words)))


def document(title: str, body: str, *, style: str = "") -> str:
    """The whole page.

    Args:
        title: As plain text.
        body: As HTML.
        style: What it needs beyond the common style.
    """
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        f"<title>{text(title)}</title><style>{_STYLE}{style}</style></head>\n"
        f"<body>\n{body}\n</body></html>\n"
    )
