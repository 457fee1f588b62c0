"""The tanks of one site, shared among several daemons.

Each daemon has a base topic, a client id and a history of its own. A base topic is never shared:
the life-cycle word below it stands for one daemon, and whichever of two died, the other would say
``ready`` again and make the permits of the dead one valid.
"""

from dataclasses import dataclass
from typing import Annotated, ClassVar

from annotated_types import MinLen

from bridge.core.settings import FORBID_UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """The tanks that one of several daemons looks after."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    tanks: Annotated[tuple[str, ...], MinLen(1)]
    """Names of tanks; every tank belongs to exactly one share."""
