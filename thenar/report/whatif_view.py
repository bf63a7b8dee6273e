"""What the picture of a what-if needs, and a closer view of a part of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class ChannelView(NamedTuple):
    """One channel by control tick: charge of each phase in uC, shapes (ticks,); `recorded_uC` None when not on record.

    `differences`: (from s, to s, kind) with a kind that `whatif_picture.DIFFERENCE_LOOKS` draws.
    """

    name: str
    demand_uC: NDArray[np.float64]
    admitted_uC: NDArray[np.float64]
    recorded_uC: NDArray[np.float64] | None
    differences: Sequence[tuple[float, float, str]]

    def at(self, kept: NDArray[np.bool_], begin_s: float, end_s: float) -> ChannelView:
        """The same at the ticks `kept` (shape (ticks,)), with the differences that meet `begin_s` to `end_s` (s)."""
        return ChannelView(
            self.name,
            self.demand_uC[kept],
            self.admitted_uC[kept],
            None if self.recorded_uC is None else self.recorded_uC[kept],
            [one for one in self.differences if one[0] < end_s and one[1] > begin_s],
        )


class WhatIfView(NamedTuple):
    """What is drawn, from `begin_s` to `end_s`.

    `t_s`: control ticks, s, shape (ticks,), like `target_N`, `estimate_N`, `reasons` and `halted` (by a trip);
    `force_s`, `force_N`: measured force, shape (m,), empty for none; `reasons`, `recorded_reasons`: masks of rules that
    acted, bit n-1 for Rn (None: not on record); `trips`, `recorded_trips`: (s, cause).
    """

    begin_s: float
    end_s: float
    t_s: NDArray[np.float64]
    target_N: NDArray[np.float64]
    estimate_N: NDArray[np.float64]
    force_s: NDArray[np.float64]
    force_N: NDArray[np.float64]
    channels: Sequence[ChannelView]
    reasons: NDArray[np.int64]
    recorded_reasons: NDArray[np.int64] | None
    halted: NDArray[np.bool_]
    trips: Sequence[tuple[float, str]]
    recorded_trips: Sequence[tuple[float, str]]

    def between(self, begin_s: float, end_s: float) -> WhatIfView:
        """The same, from `begin_s` to `end_s` (s) alone, cut to the view's own ends."""
        begin_s, end_s = max(begin_s, self.begin_s), min(end_s, self.end_s)
        kept = (self.t_s >= begin_s) & (self.t_s <= end_s)
        measured = (self.force_s >= begin_s) & (self.force_s <= end_s)
        return WhatIfView(
            begin_s,
            end_s,
            self.t_s[kept],
            self.target_N[kept],
            self.estimate_N[kept],
            self.force_s[measured],
            self.force_N[measured],
            [channel.at(kept, begin_s, end_s) for channel in self.channels],
            self.reasons[kept],
            None if self.recorded_reasons is None else self.recorded_reasons[kept],
            self.halted[kept],
            [trip for trip in self.trips if begin_s <= trip[0] <= end_s],
            [trip for trip in self.recorded_trips if begin_s <= trip[0] <= end_s],
        )
