"""Who may pass: the matrix of settings, addresses, names, tokens and proxies."""

import pytest

from bridge.shell.page.limits import MOST_VISITORS, RateLimit
from bridge.shell.page.visitors import SESSION_S, Visitors, host_of
from bridge.shell.page_settings import PageSettings

TOKEN = "sixteen-or-more-x"  # noqa: S105 - no secret
PROXY = "10.1.2.3"
HEADER = {"x-visitor": "anna"}

LOCAL = PageSettings(enabled=True)
EVERYWHERE = "0.0.0.0"  # noqa: S104 - never bound
GUARDED = PageSettings(enabled=True, host=EVERYWHERE, token=TOKEN)
LOOKED_AT = PageSettings(enabled=True, host=EVERYWHERE, token=TOKEN, open_to_read=True)
PROXIED = PageSettings(
    enabled=True,
    host=EVERYWHERE,
    identity_header="X-Visitor",
    trusted_proxies=("10.1.2.0/24",),
)


@pytest.mark.parametrize(
    ("settings", "peer", "headers", "read", "write"),
    [
        (LOCAL, "127.0.0.1", {}, True, True),
        (LOCAL, "::1", {}, True, True),
        (LOCAL, "192.168.1.9", {}, False, False),
        (LOCAL, "127.0.0.1", {"x-forwarded-for": "192.168.1.9"}, False, False),
        (LOCAL, "127.0.0.1", {"forwarded": "for=192.168.1.9"}, False, False),
        (LOCAL, "", {}, False, False),
        (GUARDED, "127.0.0.1", {}, False, False),
        (GUARDED, "192.168.1.9", {}, False, False),
        (GUARDED, "192.168.1.9", HEADER, False, False),
        (LOOKED_AT, "192.168.1.9", {}, True, False),
        (PROXIED, PROXY, HEADER, True, True),
        (PROXIED, PROXY, {}, False, False),
        (PROXIED, PROXY, {"x-visitor": "  "}, False, False),
        (PROXIED, "192.168.1.9", HEADER, False, False),
        (PROXIED, "127.0.0.1", HEADER, False, False),
    ],
)
def test_who_may_do_what(
    settings: PageSettings, peer: str, headers: dict[str, str], *, read: bool, write: bool
) -> None:
    """A visitor may look and change only what settings, address and proxy allow."""
    visitor = Visitors(settings).who(peer, headers, None)

    assert (visitor.may_read, visitor.may_write) == (read, write)


@pytest.mark.parametrize(
    ("settings", "host", "ours"),
    [
        (LOCAL, "127.0.0.1:9786", True),
        (LOCAL, "localhost", True),
        (LOCAL, "LOCALHOST:1", True),
        (LOCAL, "[::1]:9786", True),
        (LOCAL, "attacker.example", False),
        (LOCAL, "127.0.0.1.attacker.example", False),
        (LOCAL, "192.168.1.2", False),
        (LOCAL, "", False),
        (LOCAL, "localhost:9786.attacker.example", False),
        (LOCAL, "[::1]attacker.example", False),
        (GUARDED, "192.168.1.2:9786", True),
        (GUARDED, "[fd00::7]", True),
        (GUARDED, "attacker.example", False),
        (PageSettings(token=TOKEN, allowed_hosts=("Reef.home.arpa",)), "reef.home.arpa:80", True),
        (PageSettings(token=TOKEN, allowed_hosts=("Reef.home.arpa",)), "reef.home.arpa.", True),
        (PageSettings(token=TOKEN, allowed_hosts=("Reef.home.arpa",)), "x.reef.home.arpa", False),
    ],
)
def test_only_own_names_are_answered(settings: PageSettings, host: str, *, ours: bool) -> None:
    """A name that anybody could point at this machine is not answered to."""
    assert Visitors(settings).host_is_ours(host) is ours


def test_a_session_lasts_its_time_and_ends_when_asked() -> None:
    """The right token makes a keeper, for a week or until the log-out; a wrong one does not."""
    now = [0.0]
    visitors = Visitors(GUARDED, monotonic=lambda: now[0])

    assert visitors.log_in("sixteen-or-more-y") is None
    assert visitors.log_in("") is None
    first, second = visitors.log_in(TOKEN), visitors.log_in(TOKEN)
    keeper = visitors.who("192.168.1.9", {}, first)
    assert keeper.may_write
    assert visitors.still(keeper)
    visitors.log_out(keeper)

    assert not visitors.who("192.168.1.9", {}, first).may_write
    assert not visitors.still(keeper)
    assert visitors.who("192.168.1.9", {}, second).may_write
    now[0] = SESSION_S
    assert not visitors.who("192.168.1.9", {}, second).may_write


def test_nobody_can_choose_a_session() -> None:
    """A cookie that a stranger made up, before the log-in or ever, opens nothing."""
    visitors = Visitors(GUARDED)
    stranger = visitors.who("192.168.1.9", {}, "A" * 32)

    granted = visitors.log_in(TOKEN)

    assert granted != stranger.visit
    assert not visitors.who("192.168.1.9", {}, stranger.visit).may_write


def test_a_stamp_fits_its_visit_only() -> None:
    """What one visitor's form carries is worth nothing in another's, or with another name."""
    visitors = Visitors(PROXIED)
    anna = visitors.who(PROXY, HEADER, "visit-of-anna")
    berta = visitors.who(PROXY, {"x-visitor": "berta"}, "visit-of-anna")
    elsewhere = visitors.who(PROXY, HEADER, "another-visit")
    first_time = visitors.who(PROXY, HEADER, None)

    stamp = visitors.stamp(anna)

    assert visitors.stamp_fits(anna, stamp)
    for other in (berta, elsewhere, first_time):
        assert not visitors.stamp_fits(other, stamp)
    assert not visitors.stamp_fits(first_time, visitors.stamp(first_time))
    assert not visitors.stamp_fits(anna, "")
    assert not visitors.stamp_fits(anna, "ä")


@pytest.mark.parametrize(
    ("text", "host"),
    [
        ("a.example:80", "a.example"),
        ("[::1]:80", "::1"),
        ("[::1", None),
        ("a.example:x", None),
        (":80", None),
    ],
)
def test_a_host_header_is_taken_apart(text: str, host: str | None) -> None:
    """Name and port are told apart, and what is neither is refused."""
    assert host_of(text) == host


def test_tries_come_back_with_time() -> None:
    """Used-up tries are refused, others are not touched, and patience is rewarded."""
    now = [0.0]
    limit = RateLimit(2, 60.0, monotonic=lambda: now[0])

    assert [limit.allow("a") for _ in range(3)] == [True, True, False]
    assert limit.allow("b")
    now[0] = 30.0
    assert [limit.allow("a") for _ in range(2)] == [True, False]


def test_many_visitors_do_not_fill_the_memory() -> None:
    """Only so many visitors are remembered."""
    limit = RateLimit(1, 60.0, monotonic=lambda: 0.0)
    for number in range(2 * MOST_VISITORS):
        limit.allow(str(number))

    assert not limit.allow(str(2 * MOST_VISITORS - 1))
    assert limit.allow("0")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"host": EVERYWHERE}, "token"),
        ({"host": "reef.home.arpa"}, "token"),
        ({"allowed_hosts": ("reef.home.arpa",)}, "token"),
        ({"identity_header": "X-Visitor"}, "belong together"),
        ({"trusted_proxies": ("127.0.0.1",)}, "belong together"),
        ({"identity_header": "X-Visitor", "trusted_proxies": ("proxy",)}, "accepted are addresses"),
    ],
)
def test_an_open_door_is_refused(changes: dict[str, object], said: str) -> None:
    """A page that strangers could use is refused at the start, with what to set instead."""
    with pytest.raises(ValueError, match=said):
        PageSettings(enabled=True, **changes)  # type: ignore[arg-type]


def test_the_token_is_not_shown() -> None:
    """The token appears in no printed form of the settings."""
    assert TOKEN not in repr(GUARDED)
