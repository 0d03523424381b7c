"""The texts people are sent, in English, for tests of what they say."""

from __future__ import annotations

from functools import partial

from brinewatch.alarms import wording
from brinewatch.config.texts import english

ENGLISH = english()
call_text = partial(wording.call_text, ENGLISH)
clock_text = partial(wording.clock_text, ENGLISH)
reply_text = partial(wording.reply_text, ENGLISH)
help_text = partial(wording.help_text, ENGLISH)
who_text = partial(wording.who_text, ENGLISH)
spared_text = partial(wording.spared_text, ENGLISH)
