"""The inverse of the recruitment curve (`thenar.shared.recruitment_curve`), for use inside compiled steps."""

from __future__ import annotations

import math
from typing import Final

from thenar.shared.compiled import step

_SMALLEST_SHARE: Final = 1e-300
_NEAR_MIDDLE: Final = 0.425
_FAR: Final = 5.0


@step
def _near_middle(off: float) -> float:
    """The quantile of the share 0.5 + `off`, for `off` up to _NEAR_MIDDLE either way."""
    r = 0.180625 - off * off
    above = 2509.0809287301226727 * r + 33430.575583588128105
    above = ((above * r + 67265.770927008700853) * r + 45921.953931549871457) * r + 13731.693765509461125
    above = ((above * r + 1971.5909503065514427) * r + 133.14166789178437745) * r + 3.3871328727963666080
    below = 5226.4952788528545610 * r + 28729.085735721942674
    below = ((below * r + 39307.895800092710610) * r + 21213.794301586595867) * r + 5394.1960214247511077
    below = ((below * r + 687.18700749205790830) * r + 42.313330701600911252) * r + 1.0
    return off * (above / below)


@step
def _outside_middle(r: float) -> float:
    """Minus the quantile of the share exp(-r * r), for `r` up to _FAR and shares below the middle."""
    r = r - 1.6
    above = 7.74545014278341407640e-4 * r + 0.0227238449892691845833
    above = ((above * r + 0.241780725177450611770) * r + 1.27045825245236838258) * r + 3.64784832476320460504
    above = ((above * r + 5.76949722146069140550) * r + 4.63033784615654529590) * r + 1.42343711074968357734
    below = 1.05075007164441684324e-9 * r + 5.47593808499534494600e-4
    below = ((below * r + 0.0151986665636164571966) * r + 0.148103976427480074590) * r + 0.689767334985100004550
    below = ((below * r + 1.67638483018380384940) * r + 2.05319162663775882187) * r + 1.0
    return above / below


@step
def _far_out(r: float) -> float:
    """As `_outside_middle`, for `r` above _FAR: shares below 1.4e-11."""
    r = r - _FAR
    above = 2.01033439929228813265e-7 * r + 2.71155556874348757815e-5
    above = ((above * r + 0.00124266094738807843860) * r + 0.0265321895265761230930) * r + 0.296560571828504891230
    above = ((above * r + 1.78482653991729133580) * r + 5.46378491116411436990) * r + 6.65790464350110377720
    below = 2.04426310338993978564e-15 * r + 1.42151175831644588870e-7
    below = ((below * r + 1.84631831751005468180e-5) * r + 7.86869131145613259100e-4) * r + 0.0148753612908506148525
    below = ((below * r + 0.136929880922735805310) * r + 0.599832206555887937690) * r + 1.0
    return above / below


@step
def normal_quantile(share: float) -> float:
    """The x with Phi(x) = `share`: the inverse of `normal_share`.

    Wichura [@wichura-1988], algorithm AS 241 in double precision: three quotients of polynomials,
    about 1e-16 of x each. -inf at or below 0, +inf at or above 1, NaN for NaN; a positive share below 1e-300 is taken
    as 1e-300.
    """
    if math.isnan(share):
        return math.nan
    if share <= 0.0:
        return -math.inf
    if share >= 1.0:
        return math.inf
    off = share - 0.5
    if abs(off) <= _NEAR_MIDDLE:
        return _near_middle(off)
    tail = share if off < 0.0 else 1.0 - share
    r = math.sqrt(-math.log(max(tail, _SMALLEST_SHARE)))
    x = _outside_middle(r) if r <= _FAR else _far_out(r)
    return -x if off < 0.0 else x


@step
def current_for_share(share: float, half_mA: float, spread: float) -> float:
    """Current in mA that recruits `share`: 0 at or below share 0, +inf at or above share 1.

    `half_mA` and `spread` as in `recruited_share`.
    """
    if share <= 0.0:
        return 0.0
    if share >= 1.0:
        return math.inf
    return half_mA * math.exp(spread * normal_quantile(share))
