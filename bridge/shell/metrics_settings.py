"""Whether and where metrics are served, as the keeper configures it."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

from annotated_types import Ge, Le, MinLen

from bridge.core.settings import FORBID_UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class MetricsSettings:
    """An OpenMetrics page for a monitoring system. It has no password: keep it on loopback."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    enabled: bool = False
    host: Annotated[str, MinLen(1)] = "127.0.0.1"
    port: Annotated[int, Ge(1), Le(65535)] = 9785
