"""Stands in for a daemon that raises one alarm after another until it is killed.

It says on standard output how far everything is certain to be written down. Like the engine after
a crash, it starts again from there, so that some are raised a second time.
"""

import sys
import time

from bridge.core.outputs import Notice, NoticeKind, Priority
from bridge.shell.notifier import Notifier
from bridge.shell.notify_settings import NotifySettings, Target


def raised(number: int) -> Notice:
    """An alarm of its own."""
    return Notice(
        at_s=float(number),
        tank="",
        alarm=f"alarm-{number}",
        episode=f"reef/alarm-{number}/{number}",
        kind=NoticeKind.RAISED,
        priority=Priority.HIGH,
        title=f"<{number}>",
        body="Text.",
    )


def main() -> None:
    """Arguments: outbox, address, first number, number at which to stop."""
    outbox, url, first, last = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    settings = NotifySettings(
        targets={"phone": Target(url=url)},
        path=outbox,
        gather_s=0,
        repeat_after_min=0,
        attach_chart=False,
    )
    notifier = Notifier(settings)
    notifier.start()
    for number in range(first, last):
        notifier.notices(raised(number))
        if notifier.flush():
            sys.stdout.write(f"{number + 1}\n")
            sys.stdout.flush()
        time.sleep(0.15)
    while notifier.health().tally.waiting or not notifier.health().tally.delivered:
        time.sleep(0.1)
    notifier.close()
    sys.stdout.write("done\n")


if __name__ == "__main__":
    main()
