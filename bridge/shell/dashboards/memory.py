"""What was left on the broker, so that it can be taken away when a tank or a dashboard goes."""

from collections.abc import Iterable, Mapping
from hashlib import sha256
from typing import Any, Final, Protocol

import orjson

COLLECTION: Final = "dashboards"
"""In the history's table of entries: topic, and for a description its version."""


class Store(Protocol):
    """The part of the history that is used."""

    def put(self, collection: str, key: str, data: Any) -> None:  # noqa: ANN401 - any JSON
        """Keep something under a key."""

    def remove(self, collection: str, key: str) -> None:
        """Forget what is kept under a key."""

    def entries(self, collection: str) -> dict[str, Any]:
        """What is kept in a collection."""


class Memory:
    """The topics with a retained message of ours.

    Args:
        store: Where they survive a restart.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._topics: dict[str, Any] = store.entries(COLLECTION)

    @property
    def topics(self) -> Iterable[str]:
        """All of them."""
        return tuple(self._topics)

    def keep(self, topic: str) -> None:
        """There is a message now."""
        if topic not in self._topics:
            self._set(topic, {})

    def forget(self, topic: str) -> None:
        """There is none any more."""
        if topic in self._topics:
            del self._topics[topic]
            self._store.remove(COLLECTION, topic)

    def expiry_s(self, topic: str) -> int | None:
        """How long values lived by the last announcement; None when that is not known."""
        known = (self._topics.get(topic) or {}).get("expiry_s")
        return known if isinstance(known, int) else None

    def keep_expiry(self, topic: str, expiry_s: int | None) -> None:
        """An announcement tells this life of values; a restart begins with it."""
        if expiry_s is not None and expiry_s != self.expiry_s(topic):
            self._set(topic, {"expiry_s": expiry_s})

    def version(self, topic: str, content: Mapping[str, Any], *, now_s: float) -> int:
        """The version of a description: as before while it is the same, and higher when it is not.

        Args:
            topic: Of the description.
            content: Without the version.
            now_s: The date, from which a first version is taken: should the memory be lost, the
                next one is still higher. [Unix s]
        """
        digest = sha256(orjson.dumps(content, option=orjson.OPT_SORT_KEYS)).hexdigest()
        known = self._topics.get(topic) or {}
        version = int(known.get("version", 0))
        if known.get("digest") != digest:
            version = max(version + 1, int(now_s))
            self._set(topic, {"version": version, "digest": digest})
        return version

    def _set(self, topic: str, data: Mapping[str, Any]) -> None:
        self._topics[topic] = data
        self._store.put(COLLECTION, topic, data)
