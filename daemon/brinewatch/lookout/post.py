"""Where the signs of life of all sheds come in, and what is made of them: the lookout's one bus.

Nothing is believed that is not signed with the shed's own secret; what is not leaves a line in the journal, and no
more than one a shed and kind in ten minutes, so that nobody can fill a disk by lying.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from brinewatch import __version__
from brinewatch.config.lookout import REFRESH_S, WatchedSettings, point_of
from brinewatch.messages import Inbound
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings
from brinewatch.readings import Flag, Sample
from brinewatch.sentry.beats import Beat, from_short, heard_text
from brinewatch.sentry.doubts import Doubts
from brinewatch.sentry.table import Road, Sight, road_of
from brinewatch.sentry.watch import STATES, Taken, Watched, all_off, broken, look, take, take_text, told
from brinewatch.settings import Settings
from brinewatch.signing import BadSignature, opened, opened_text, sealed_text

log = logging.getLogger(__name__)

PROBE = "sheds"
_KEPT = "lookout.json"
_TEXT = "BEAT "


class SignsProbe(ProbeSettings):
    """All sheds together: one look at all of them is one step of the alarms."""

    channel: list[ChannelSettings] = Field(description="the sheds")


class SignsSettings(Settings):
    """The bus of the lookout."""

    kind: Literal["signs"]
    probe: list[SignsProbe] = Field(min_length=1, description="the sheds")


def signs_settings(sheds: Sequence[WatchedSettings], every_s: float) -> SignsSettings:
    """The lookout's bus as the daemon is told of it."""
    channels = [ChannelSettings(point=point_of(one.key)) for one in sheds]
    return SignsSettings(kind="signs", probe=[SignsProbe(name=PROBE, every_s=every_s, channel=channels)])


@dataclass
class _Post:
    """One shed: what it agreed on, what was heard of it, and what was last said of it."""

    settings: WatchedSettings
    secret: str
    watched: Watched = field(default_factory=Watched)
    state: bytes = b""
    state_heard: float | None = None
    said: Sample | None = None
    sight: Sight = Sight.UNTOLD


class SignsBus:
    """A ports.Bus whose one probe is the sheds.

    secrets: by shed; base: first part of every topic; note(text): a line for the journal; on_together(well, why):
    whether all sheds fell silent at once; on_answer(shed, topic, payload): what a shed answered to an order;
    answer(to, text): send a text.
    """

    name = "signs"

    def __init__(
        self, sheds: Sequence[WatchedSettings], secrets: Mapping[str, str], base: str, folder: Path, clock: Clock,
        note: Callable[[str], None], on_together: Callable[[bool, str], None],
        on_answer: Callable[[str, str, bytes], None] = lambda shed, topic, payload: None,
        answer: Callable[[str, str], None] = lambda to, text: None,
    ) -> None:  # fmt: skip
        self._clock, self._note, self._on_together, self._on_answer = clock, note, on_together, on_answer
        self._answer = answer
        self.base = base
        self._file = folder / _KEPT
        self._posts = {one.key: _Post(one, secrets[one.key]) for one in sheds}
        self._phones = {one.phone: self._posts[one.key] for one in sheds if one.phone}
        self._doubts = Doubts()
        self._opened = clock.now().mono
        self._connected = False
        self._modem_up: float | None = None
        self._dirty = self._recalled = False
        self._line_well: bool | None = None

    # -- the road -------------------------------------------------------------------------------------------------

    def connection(self, connected: bool) -> None:
        """The connection to the broker came up or went."""
        if connected and not self._connected:
            self._opened = self._clock.now().mono
        self._connected = connected

    def line(self, well: bool | None) -> None:
        """Whether the lookout's own line reaches another host."""
        self._line_well = well

    def modem(self, well: bool) -> None:
        """How the lookout's own modem is."""
        self._modem_up = (self._modem_up or self._clock.now().mono) if well else None

    @property
    def road(self) -> Road:
        return road_of(self._connected, self._line_well)

    # -- what comes in --------------------------------------------------------------------------------------------

    @property
    def topics(self) -> Sequence[str]:
        """What is listened to."""
        return [f"{self.base}/+/{name}" for name in ("beat", "beat/line", "state", "done")]

    def message(self, topic: str, payload: bytes, retained: bool) -> None:
        """One message from the broker."""
        shed, _, name = topic.removeprefix(f"{self.base}/").partition("/")
        post = self._posts.get(shed)
        if post is None or not topic.startswith(f"{self.base}/"):
            return  # another's shed
        now = self._clock.now()
        match name:
            case "beat":
                self._beat(post, topic, payload, now, retained)
            case "beat/line":
                if b"gone" in payload:
                    post.watched = broken(post.watched)
            case "state":
                post.state, post.state_heard = payload, None if retained else now.mono
            case "done":
                self._on_answer(shed, topic, payload)

    def _beat(self, post: _Post, topic: str, payload: bytes, now: Moment, retained: bool) -> None:
        key = post.settings.key
        try:
            beat = Beat.of(opened(topic, payload, post.secret))
            if beat.watch != key:
                raise ValueError(f"it speaks for {beat.watch}")
        except (BadSignature, ValueError) as error:
            self._doubt(
                key, "forged", f"{topic}: what came there is not from the shed and is not believed: {error}", now
            )
            return
        self._took(post, take(post.watched, beat, now, retained=retained), topic, now)

    def text(self, inbound: Inbound) -> bool:
        """A text that may be a sign of life. False: it is none of ours, and somebody else's to read."""
        post = self._phones.get(inbound.sender)
        if post is None or not inbound.text.startswith(_TEXT):
            return False
        now, key = self._clock.now(), post.settings.key
        try:
            beat, complaints = from_short(opened_text(inbound.text, post.secret))
            if beat.watch != key:
                raise ValueError(f"it speaks for {beat.watch}")
        except (BadSignature, ValueError) as error:
            self._doubt(key, "forged", f"text from {inbound.sender}: a sign of life that is none: {error}", now)
            return True
        taken = take_text(post.watched, beat, complaints, now)
        if taken.watched is not post.watched and not taken.refused and not post.settings.broker:
            # nothing else tells that shed that its lookout lives
            self._answer(inbound.sender, sealed_text(heard_text(beat), post.secret))
        self._took(post, taken, f"text from {inbound.sender}", now)
        return True

    def _took(self, post: _Post, taken: Taken, where: str, now: Moment) -> None:
        self._dirty = self._dirty or taken.watched is not post.watched
        post.watched = taken.watched
        if taken.refused:
            self._doubt(post.settings.key, "old", f"{where}: a sign of life is not believed: {taken.refused}", now)

    def _doubt(self, shed: str, kind: str, text: str, now: Moment) -> None:
        """Note it, but not more often than is of use."""
        if (line := self._doubts.note(shed, kind, text, now)) is not None:
            self._note(line)

    # -- what is made of it ---------------------------------------------------------------------------------------

    async def open(self) -> None:
        """There is no wire of its own; what was heard before the restart is looked up."""
        if not self._recalled:
            self._recalled = True
            self._recall()

    async def close(self) -> None:
        """Keep the numbers heard last: a recording must not be believed after a restart either."""
        self._keep()

    async def read(self, probe: str) -> Sequence[Sample]:
        """The sign of every shed that changed, or was not told for a while."""
        now = self._clock.now()
        samples = list(self._look(now))
        self._together()
        self._keep()
        return samples

    def _look(self, now: Moment) -> Iterator[Sample]:
        road = self.road
        for key, post in self._posts.items():
            post.sight = look(post.watched, post.settings.terms, road, self._opened, self._modem_up, now)
            state, why = told(post.watched, post.sight, road, now)
            value = None if state is None else float(STATES.index(state))
            flag = Flag.NOT_EVALUATED if value is None else Flag.PASS
            said = post.said
            if said is None or (said.value, said.flag) != (value, flag) or now.mono - said.at.mono >= REFRESH_S:
                post.said = Sample(point_of(key), value, value, now, PROBE, flag, why)
                yield post.said

    def _together(self) -> None:
        sights = [post.sight for post in self._posts.values() if post.settings.broker]
        if len(self._posts) < 2:
            return
        if self.road is Road.OPEN and len(sights) > 1 and all_off(sights):
            self._on_together(False, f"all {len(sights)} sheds fell silent together")
        elif any(sight in (Sight.THERE, Sight.STOPPED) for sight in sights):
            self._on_together(True, "")

    # -- for the page and the way back ----------------------------------------------------------------------------

    @property
    def sheds(self) -> Mapping[str, _Post]:
        return self._posts

    def echo(self, shed: str, now: Moment) -> tuple[dict[str, Any], str]:
        """What a shed is to be told of this lookout, and the secret shared with it."""
        post = self._posts[shed]
        heard, newest = post.watched.heard, post.watched.newest
        fields = {
            "utc": now.utc, "trusted": now.trusted, "version": __version__,
            "heard": None if newest is None else list(newest.order),
            "heard_age_s": None if heard is None else round(now.mono - heard, 1),
        }  # fmt: skip
        return fields, post.secret

    # -- over restarts --------------------------------------------------------------------------------------------

    def _keep(self) -> None:
        if not self._dirty:
            return
        self._dirty = False
        kept = {
            key: {"newest": post.watched.newest and post.watched.newest.fields(),
                  "text": post.watched.text and post.watched.text.fields()}
            for key, post in self._posts.items()
        }  # fmt: skip
        try:
            fresh = self._file.with_suffix(".new")
            fresh.write_text(json.dumps(kept), encoding="utf-8")
            fresh.replace(self._file)
        except OSError as error:
            log.warning("What was heard last cannot be kept: %s", error)

    def _recall(self) -> None:
        try:
            kept = json.loads(self._file.read_text(encoding="utf-8"))
            for key, one in kept.items():
                if key in self._posts:
                    newest, text = (Beat.of(one[name]) if one[name] else None for name in ("newest", "text"))
                    post = self._posts[key]
                    # what came in meanwhile is newer
                    if post.watched == Watched():
                        post.watched = Watched(newest=newest, text=text)
        except FileNotFoundError:
            return
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            self._note(
                f"{self._file} cannot be read ({error}): an old sign of life could be taken for a new one once"
            )
