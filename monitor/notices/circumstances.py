"""What a message needs to know besides what it is about."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.ahead.airing import Verb
from monitor.air.minute import MinuteOfAir
from monitor.site.spaces import OUTDOORS, Limits, Site, Use


@dataclass(frozen=True)
class Circumstances:
    """What a message needs to know besides the spell itself.

    pressure_pa  air pressure at the site [Pa]
    at_risk      for each space the batches in it, in words: `six bunches of statice`
    air          the latest minute of each space, outdoors too, where it is known
    disagreeing  for each space in which sensors disagree, those to doubt
    advised      for each space what this hour's advice on airing is
    """

    site: Site
    pressure_pa: float
    at_risk: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    air: Mapping[str, MinuteOfAir] = field(default_factory=dict)
    disagreeing: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    advised: Mapping[str, Verb] = field(default_factory=dict)

    def indoors(self, space: str | None) -> MinuteOfAir | None:
        """The latest minute of a space; None: not known."""
        return None if space is None else self.air.get(space)

    @property
    def outdoors(self) -> MinuteOfAir | None:
        """The latest minute outdoors; None: not known."""
        return self.air.get(OUTDOORS)

    def use(self, space: str | None) -> Use:
        """What a space is for; hanging where the settings no longer know it."""
        known = self.site.spaces.get(space) if space is not None else None
        return Use.HANGING if known is None else known.use

    def limits(self, space: str | None) -> Limits:
        """The limits of a space; none where the settings no longer know it."""
        known = self.site.spaces.get(space) if space is not None else None
        return Limits() if known is None else known.limits
