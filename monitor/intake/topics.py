"""MQTT topic filters: which are well formed, and which topics they match.

OASIS MQTT version 5.0, section 4.7 (the same rules as in 3.1.1).
"""

from __future__ import annotations

MOST_BYTES = 65_535  # section 1.5.4: the length of a UTF-8 string is two bytes


def filter_problem(topic_filter: str) -> str | None:
    """What is wrong with a topic filter, in a few words; None: nothing."""
    if not topic_filter:
        return "is empty"
    if len(topic_filter.encode("utf-8", "replace")) > MOST_BYTES:
        return f"is longer than {MOST_BYTES} bytes"
    if not topic_filter.isprintable():
        return "holds a character that cannot be printed"
    levels = topic_filter.split("/")
    if levels[0] == "$share":
        return "is a shared subscription, of which each reader gets only a part"
    for place, level in enumerate(levels):
        if "#" in level and (level != "#" or place != len(levels) - 1):
            return 'has a "#" that does not stand alone at the end'
        if "+" in level and level != "+":
            return 'has a "+" that does not stand alone between slashes'
    return None


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic falls under a filter.

    >>> matches("barn/#", "barn"), matches("barn/+", "barn/loft/rail"), matches("#", "$SYS/a")
    (True, False, False)
    """
    if topic.startswith("$") and topic_filter[:1] in ("+", "#"):
        return False
    wanted, levels = topic_filter.split("/"), topic.split("/")
    for place, level in enumerate(wanted):
        if level == "#":
            return True
        if place == len(levels) or level not in ("+", levels[place]):
            return False
    return len(wanted) == len(levels)


def overlap(one: str, other: str) -> bool:
    """Whether some topic falls under both filters.

    >>> overlap("barn/+/rail", "barn/loft/#"), overlap("barn/+", "barn/loft/rail")
    (True, False)
    """
    for mine, its in ((one, other), (other, one)):
        if mine.startswith("$") and its[:1] in ("+", "#"):
            return False
    mine_levels, its_levels = one.split("/"), other.split("/")
    for here, there in zip(mine_levels, its_levels, strict=False):
        if "#" in (here, there):
            return True
        if here != there and "+" not in (here, there):
            return False
    shorter, longer = sorted((mine_levels, its_levels), key=len)
    return len(shorter) == len(longer) or longer[len(shorter)] == "#"
