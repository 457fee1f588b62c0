"""Templates and the files that go with them, read once."""

import gzip
import hashlib
from dataclasses import dataclass
from functools import partial
from importlib import resources
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import Response

from bridge.shell.page.words import salinity_words

FOLDER: Final = "bridge.shell.page"
TYPES: Final = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}
ICONS: Final = {
    "good": "m5 12 5 5 9-10",
    "care": "M12 4 22 20H2Z M12 10v5 M12 17.4v.2",
    "bad": "M8 3h8l5 5v8l-5 5H8l-5-5V8Z M12 7v6 M12 16v.3",
    "unknown": "M9 9a3 3 0 1 1 4 3c-1 .5-1 1-1 2.4 M12 17.6v.2",
    "note": "M12 3a9 9 0 1 0 .1 0Z M12 11v5 M12 8v.1",
    "permit": "m5 12 5 5 9-10",
    "hold": "M9 6v12 M15 6v12",
}
"""Strokes within 24 by 24; each state has a shape of its own."""


class Renderer:
    """Fills templates in."""

    def __init__(self) -> None:
        self._environment = Environment(
            loader=PackageLoader(FOLDER),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals["icons"] = ICONS
        self._environment.filters["salinity"] = lambda value, unsure: ", ".join(
            salinity_words(value, unsure)
        )

    def render(self, template: str, **what: Any) -> str:  # noqa: ANN401 - templates take anything
        """A page, or a part of one."""
        return self._environment.get_template(template).render(**what)


@dataclass(frozen=True, slots=True)
class StaticFile:
    """A file that never changes while the daemon runs."""

    content: bytes
    zipped: bytes
    kind: str
    version: str

    def response(self, *, zipped: bool) -> Response:
        """The file, to be kept by the browser for as long as its version is asked for."""
        headers = {
            "Cache-Control": "public, max-age=31536000, immutable",
            "Vary": "Accept-Encoding",
        }
        if zipped:
            headers["Content-Encoding"] = "gzip"
        return Response(
            self.zipped if zipped else self.content, media_type=self.kind, headers=headers
        )


def static_files() -> dict[str, StaticFile]:
    """Every file of the folder ``static``, by name."""
    squeeze = partial(gzip.compress, mtime=0)
    found = {}
    for entry in resources.files(FOLDER).joinpath("static").iterdir():
        kind = TYPES.get(entry.name.rpartition(".")[2])
        if kind is not None:
            content = entry.read_bytes()
            version = hashlib.sha256(content).hexdigest()[:12]
            found[entry.name] = StaticFile(content, squeeze(content), kind, version)
    return found
