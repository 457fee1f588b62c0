"""Tells the keeper's phone: takes notices without making the engine wait, sends by couriers."""

import logging
import queue
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from pydantic import TypeAdapter, ValidationError

from bridge.core.outputs import Notice, NoticeKind, Priority
from bridge.core.settings import Tank
from bridge.shell.notify_courier import BUSY, ERRAND, LOCK_S, UNWRITABLE, Errand
from bridge.shell.notify_desk import Desk, DeskState, Information
from bridge.shell.notify_outbox import Delivery, Outbox, OutboxError, Tally
from bridge.shell.notify_secrets import redactor_for
from bridge.shell.notify_settings import NotifySettings

log = logging.getLogger(__name__)

QUEUED: Final = 1000
"""Notices in memory. They are written down within milliseconds; more than a few means trouble."""
LOOK_S: Final = 1.0
"""Between two looks while something waits to be told."""
SLEEP_S: Final = 10.0
"""Between two looks otherwise; reminders may come that much late."""
COURIER_S: Final = 3 * LOCK_S
"""A courier that lasts longer is killed; its own limits are far below."""
FIRST_PAUSE_S: Final = 5.0
LONGEST_PAUSE_S: Final = 300.0
"""Between two couriers when they fail as such, for instance for lack of memory."""
DESK: Final = TypeAdapter(DeskState)


@dataclass(frozen=True, slots=True)
class NotifierHealth:
    """How telling is going."""

    dropped: int
    """Notices refused because too many waited to be written down."""
    tally: Tally
    troubles: Mapping[str, str]
    """Why the newest message has not reached a target, by target."""
    safe: bool
    """Whether what waits would outlive a restart of the machine."""

    @property
    def fault(self) -> str | None:
        """What an alarm should tell: whom alerts do not reach; None while all arrive."""
        told = [f"{target}: {reason.rstrip('.')}" for target, reason in self.troubles.items()]
        return f"Not reached are {'; '.join(told)}." if told else None


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the notifier needs of the rest of the daemon."""

    remembered: Collection[Notice] = ()
    """One for each episode that stands as far as the engine remembers at the start."""
    history: Path | None = None
    """For the chart."""
    limits_psu: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    tanks: Mapping[str, Tank] = field(default_factory=dict)
    """For the report that goes along with a summary."""
    before_chart: Callable[[], object] | None = None
    """Brings the history up to date."""


class Notifier:
    """One desk for each target, a file with what is to be sent, and a courier when it is due.

    Args:
        settings: With at least one target.
        surroundings: History and engine.
        wall: Replaceable for tests.
    """

    def __init__(
        self,
        settings: NotifySettings,
        surroundings: Surroundings | None = None,
        *,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._settings = settings
        self._around = surroundings or Surroundings()
        self._wall = wall
        self._urls = {name: target.url for name, target in settings.targets.items()}
        self._redact = redactor_for(self._urls.values())
        self._queue: queue.Queue[Notice | Information] = queue.Queue(QUEUED)
        self._dropped = 0
        self._closing = threading.Event()
        self._desks: dict[str, Desk] = {}
        self._saved: dict[str, bytes] = {}
        self._outbox: Outbox | None = None
        self._safe = True
        self._courier: subprocess.Popen[bytes] | None = None
        self._courier_since = 0.0
        self._courier_at = 0.0
        self._pause_s = FIRST_PAUSE_S
        self._health = NotifierHealth(0, Tally(0, 0, 0), {}, safe=True)
        self._thread = threading.Thread(target=self._run, name="notifier", daemon=True)

    def start(self) -> None:
        """Begin, with what was left over from the last run."""
        self._thread.start()
        # Apart, because loading Apprise takes a second or two on a small machine.
        threading.Thread(target=self._check_addresses, name="notify-check", daemon=True).start()

    def notices(self, notice: Notice) -> None:
        """Take a notice; returns at once, whatever the services do."""
        self._put(notice)

    def inform(self, information: Information) -> None:
        """Take something to tell that is no alarm; returns at once."""
        self._put(information)

    def health(self) -> NotifierHealth:
        """How telling is going."""
        return self._health

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until all notices taken so far are written down; False when time ran out first."""
        deadline = time.monotonic() + timeout_s
        while self._queue.unfinished_tasks:
            if time.monotonic() > deadline or not self._thread.is_alive():
                return False
            time.sleep(0.005)
        return True

    def close(self, timeout_s: float = 2.0) -> None:
        """Write down what came and end. A courier on its way ends by itself."""
        self._closing.set()
        with suppress(queue.Full):
            self._queue.put_nowait(Information("", 0.0, "", ""))
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _put(self, what: Notice | Information) -> None:
        try:
            self._queue.put_nowait(what)
        except queue.Full:
            self._dropped += 1
            log.error(  # noqa: TRY400 # a traceback says nothing more
                "An alert was lost because too many are waiting to be written down."
            )

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                if self._outbox is None:
                    self._open()
                self._turn()
            except Exception as error:  # noqa: BLE001 # whatever it is, alerts must go on
                # A traceback could hold an address.
                log.error("Alerts are not sent at the moment: %s", self._redact(repr(error)))  # noqa: TRY400
                self._closing.wait(LOOK_S)
        with suppress(sqlite3.Error):
            # What came while this loop ended is written down for the next start.
            self._turn()
        if self._outbox is not None:
            self._outbox.close()
        if self._courier is not None:
            # Mostly it has just ended, or is about to.
            with suppress(subprocess.TimeoutExpired):
                self._courier.wait(LOOK_S)
            if self._courier.stderr is not None:
                self._courier.stderr.close()

    def _turn(self) -> None:
        """Take what comes within a moment, decide what to tell, and see to the courier."""
        soon = self._courier is not None or any(desk.pending for desk in self._desks.values())
        taken: list[Notice | Information] = []
        with suppress(queue.Empty):
            if not self._closing.is_set():
                taken.append(self._queue.get(timeout=LOOK_S if soon else SLEEP_S))
            while True:
                taken.append(self._queue.get_nowait())
        try:
            self._take(taken)
            self._tend_courier()
            self._look()
        except sqlite3.Error as error:
            self._move_out(error)
        finally:
            for _ in taken:
                self._queue.task_done()

    def _take(self, taken: Collection[Notice | Information]) -> None:
        """Let each desk judge, and write down what follows."""
        at_s = self._wall()
        for what in taken:
            self._judge(what, at_s)
        outbox = self._file()
        busy = outbox.busy_targets()
        deliveries = []
        for name, desk in self._desks.items():
            # One message at a time: while a service is away, what comes is gathered, not queued.
            message = None if name in busy or self._closing.is_set() else desk.due(at_s)
            if message is not None:
                deliveries.append(Delivery(uuid.uuid4().hex, name, message, at_s))
        self._keep(deliveries, at_s)
        if any(isinstance(what, Notice) and _urgent(what) for what in taken):
            outbox.hurry(at_s)

    def _judge(self, what: Notice | Information, at_s: float) -> None:
        for name, desk in self._desks.items():
            if isinstance(what, Notice):
                desk.take(what, at_s)
            elif what.subject and self._settings.targets[name].summary:
                desk.inform(what)

    def _keep(self, deliveries: list[Delivery], at_s: float) -> None:
        states = {name: DESK.dump_json(desk.state) for name, desk in self._desks.items()}
        changed = {name: state for name, state in states.items() if self._saved.get(name) != state}
        if not changed and not deliveries:
            return
        try:
            self._file().save(changed, deliveries, at_s=at_s)
        except sqlite3.Error as error:
            # The desks count these as told; they must be sent from wherever writing works.
            self._move_out(error)
            self._file().save(states, deliveries, at_s=at_s)
        self._saved = states

    def _look(self) -> None:
        outbox = self._file()
        self._health = NotifierHealth(
            self._dropped, outbox.tally(), outbox.troubles(), safe=self._safe
        )

    def _file(self) -> Outbox:
        if self._outbox is None:
            raise RuntimeError("used before it was opened")
        return self._outbox

    def _open(self) -> None:
        try:
            self._outbox = Outbox(Path(self._settings.path))
            self._load(self._outbox)
        except (sqlite3.Error, OSError, OutboxError) as error:
            self._move_out(error)

    def _load(self, outbox: Outbox) -> None:
        at_s = self._wall()
        dropped = outbox.drop_targets(self._settings.targets)
        if dropped:
            log.warning("%d alerts were for targets that are configured no longer.", dropped)
        outbox.mend_times(at_s)
        outbox.thin_out()
        saved = outbox.desks()
        for name, target in self._settings.targets.items():
            desk = Desk(self._settings, target.least_priority, _unpacked(saved.get(name)))
            desk.start(self._around.remembered, at_s)
            self._desks[name] = desk

    def _move_out(self, error: Exception) -> None:
        """Go on from a file in the temporary directory: an alert about a full disk must go out.

        What waited in the old file goes along. It stays there as well, and is sent again after a
        restart: twice is better than never.
        """
        log.error("Alerts waiting to be sent cannot be kept over a restart: %s", error)
        self._safe = False
        unsent: list[Delivery] = []
        if self._outbox is not None:
            with suppress(sqlite3.Error):
                unsent = self._outbox.unsent()
                self._outbox.close()
        directory = tempfile.mkdtemp(prefix="tidegate-alerts-")
        self._outbox = Outbox(Path(directory) / "alerts.sqlite3")
        self._outbox.save({}, unsent, at_s=self._wall())
        self._saved = {}
        if not self._desks:
            self._load(self._outbox)

    def _errand(self, *, check_only: bool = False) -> Errand:
        history = self._around.history if self._settings.attach_chart else None
        return Errand(
            outbox="" if check_only else str(self._file().path),
            urls=self._urls,
            zone=self._settings.time_zone,
            history=None if history is None else str(history),
            limits_psu=dict(self._around.limits_psu),
            tanks=dict(self._around.tanks),
            check_only=check_only,
        )

    def _check_addresses(self) -> None:
        """Say at the start, not at the first alarm, that an address is of no use."""
        try:
            done = subprocess.run(  # noqa: S603 # our own program
                _COMMAND,
                input=ERRAND.dump_json(self._errand(check_only=True)),
                capture_output=True,
                timeout=COURIER_S,
                check=True,
            )
        except (OSError, subprocess.SubprocessError) as error:
            # A traceback could hold an address.
            log.error("Alerts may not be sent: %s", self._redact(_said(error)))  # noqa: TRY400
            return
        for name in done.stdout.decode().split():
            log.error(
                "notify.targets.%s.url is not understood by Apprise; nothing can be sent to it. "
                "Check it with tidegate notify --test.",
                name,
            )

    def _tend_courier(self) -> None:
        now = time.monotonic()
        if self._courier is not None:
            if self._courier.poll() is None and now - self._courier_since < COURIER_S:
                return
            self._end_courier(self._courier, now)
        if now < self._courier_at or self._closing.is_set():
            return
        if not self._file().is_due(self._urls, self._wall()):
            return
        if self._around.before_chart is not None and self._settings.attach_chart:
            self._around.before_chart()
        try:
            # A session of its own: what is sent to the daemon's terminal does not reach it.
            courier = subprocess.Popen(  # noqa: S603 # our own program
                _COMMAND,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
            assert courier.stdin is not None  # noqa: S101 # a pipe was asked for
            with suppress(BrokenPipeError), courier.stdin:
                courier.stdin.write(ERRAND.dump_json(self._errand()))
        except OSError as error:
            self._postpone(str(error), now)
            return
        self._courier, self._courier_since = courier, now

    def _end_courier(self, courier: "subprocess.Popen[bytes]", now: float) -> None:
        if courier.poll() is None:
            courier.kill()
        stderr = courier.stderr
        code = courier.wait()
        said = b""
        if stderr is not None:
            with stderr:
                said = stderr.read()
        self._courier = None
        if code == 0:
            self._pause_s, self._courier_at = FIRST_PAUSE_S, 0.0
        elif code == UNWRITABLE:
            self._move_out(OSError(f"{self._file().path} cannot be written"))
        elif code != BUSY:
            last = said.decode(errors="replace").strip().splitlines()[-1:]
            self._postpone(f"exit code {code}. {''.join(last)}", now)
        for target, reason in self._file().troubles().items():
            log.warning("An alert has not reached %s yet: %s", target, self._redact(reason))

    def _postpone(self, reason: str, now: float) -> None:
        log.error("The program that sends alerts failed: %s", self._redact(reason))
        self._courier_at = now + self._pause_s
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)


_COMMAND: Final = (sys.executable, "-m", "bridge.shell.notify_courier")


def _urgent(notice: Notice) -> bool:
    return notice.kind is NoticeKind.RAISED and notice.priority is Priority.HIGH


def _unpacked(data: bytes | None) -> DeskState | None:
    if data is None:
        return None
    try:
        return DESK.validate_json(data)
    except ValidationError:
        log.warning("What the keeper was told before cannot be read; it may be told again.")
        return None


def _said(error: Exception) -> str:
    stderr = getattr(error, "stderr", None)
    lines = stderr.decode(errors="replace").strip().splitlines() if stderr else []
    return lines[-1] if lines else type(error).__name__
