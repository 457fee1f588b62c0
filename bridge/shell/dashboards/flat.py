"""Flat topics: one bare value each, for dashboards that cannot look into JSON."""

from collections.abc import Mapping

from bridge.core.settings import Settings
from bridge.shell.dashboards.picture import Picture, Wanted, scalars

FLAT_LEVEL = "flat"


class Flat:
    """The topics ``<base>/<tank>/flat/<quantity>``.

    Args:
        settings: Base topic, tanks and their permits.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings

    def permits(self, picture: Picture, now_s: float, *, ready: bool) -> Mapping[str, Wanted]:
        """The permits, each only until its lease ends."""
        found: dict[str, Wanted] = {}
        for name, tank in self._settings.tanks.items():
            for permit in tank.permits:
                view = picture.tanks[name]
                given = view.permitted(permit, now_s, ready=ready)
                found[f"{self._base(name)}/permit-{permit}"] = (
                    Wanted(b"permit", end_s=view.leases[permit].end_s) if given else Wanted(b"hold")
                )
        return found

    def values(self, picture: Picture) -> Mapping[str, Wanted]:
        """Every other value; an unknown one is deleted."""
        found: dict[str, Wanted] = {}
        for name, tank in picture.tanks.items():
            texts = scalars(tank) | {
                "alarms": str(len(tank.standing())),
                "service": tank.service.value,
            }
            for quantity, text in texts.items():
                found[f"{self._base(name)}/{quantity}"] = Wanted((text or "").encode())
        return found

    def _base(self, tank: str) -> str:
        return f"{self._settings.base_topic}/{tank}/{FLAT_LEVEL}"
