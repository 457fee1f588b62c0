"""Gives commands in the form in which they come over the broker, and waits for the answer."""

import secrets
from collections import OrderedDict
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from threading import Lock
from typing import Any, Final

import orjson

WAIT_S: Final = 5.0
"""The decision loop answers within milliseconds; this long only when it is in trouble."""
KEPT_ANSWERS: Final = 100

Submit = Callable[[str, bytes], None]


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a command."""

    tank: str
    command: str
    document: Mapping[str, Any]

    @property
    def ok(self) -> bool:
        """Whether it was carried out."""
        return bool(self.document["ok"])

    @property
    def error(self) -> str:
        """What was wrong."""
        return str(self.document.get("error", ""))


class CommandDesk:
    """The page's way to the engine.

    Args:
        base_topic: First level of the topics.
        secret: What commands have to carry; None for nothing.
        submit: Puts a message where those of the broker arrive.
        wait_s: How long an answer is waited for. [s]
    """

    def __init__(
        self, base_topic: str, *, secret: str | None, submit: Submit, wait_s: float = WAIT_S
    ) -> None:
        self._base_topic = base_topic
        self._secret = secret
        self._submit = submit
        self.wait_s = wait_s
        self._lock = Lock()
        self._waiting: dict[str, Future[Mapping[str, Any]]] = {}
        self._answers: OrderedDict[str, Answer] = OrderedDict()

    def give(self, tank: str, command: str, keys: Mapping[str, Any]) -> tuple[str, Answer]:
        """Give a command and wait for its answer.

        Args:
            tank: Its tank; empty for the whole installation.
            command: Its name.
            keys: Without number and secret.

        Returns:
            The number under which the answer can be asked for again, and the answer.
        """
        number = secrets.token_urlsafe(12)
        document = {**keys, "id": number}
        if self._secret is not None:
            document["secret"] = self._secret
        future: Future[Mapping[str, Any]] = Future()
        with self._lock:
            self._waiting[number] = future
        try:
            owner = f"{self._base_topic}/{tank}" if tank else self._base_topic
            self._submit(f"{owner}/command/{command}", orjson.dumps(document))
            result = future.result(self.wait_s)
        except TimeoutError:
            result = {
                "ok": False,
                "error": f"There was no answer within {self.wait_s:g} seconds. It may still be "
                "carried out: look before you try again.",
            }
        finally:
            with self._lock:
                del self._waiting[number]
        answer = Answer(tank, command, result)
        with self._lock:
            self._answers[number] = answer
            while len(self._answers) > KEPT_ANSWERS:
                self._answers.popitem(last=False)
        return number, answer

    def answer(self, tank: str, number: str) -> Answer | None:
        """An answer of late; None when it is not known (any more)."""
        with self._lock:
            answer = self._answers.get(number)
        return answer if answer is not None and answer.tank == tank else None

    def take(self, payload: bytes) -> None:
        """Take in the answer to any command; called from the decision loop."""
        if not self._waiting:
            return
        document = orjson.loads(payload)
        with self._lock:
            future = self._waiting.get(str(document.get("id")))
        if future is not None and not future.done():
            future.set_result(document)
