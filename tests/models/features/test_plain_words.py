"""Every feature has a plain word for people, each its own, without the words of statistics."""

from __future__ import annotations

import re

from models.features.definitions import FEATURE_NAMES
from models.features.plain_words import PLAIN_WORDS

STATISTICS = re.compile(r"deviation|median|standard|slope|share|margin|hysteresis|open-circuit|evidence", re.IGNORECASE)


def test_every_feature_has_a_plain_word_of_its_own():
    assert tuple(PLAIN_WORDS) == FEATURE_NAMES
    assert len(set(PLAIN_WORDS.values())) == len(FEATURE_NAMES)
    assert not [words for words in PLAIN_WORDS.values() if STATISTICS.search(words)]
