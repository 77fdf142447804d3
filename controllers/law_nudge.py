"""Law ``nudge``: a fixed number of steps toward the target at each update."""

from __future__ import annotations

from controllers.compiling import relation

CODE = 3.0


@relation
def nudge_steps(error_rpm: float, nudge: float) -> float:
    """Steps to add to the integral at this update.

    Semantics: outside the deadband the integral grows by ``nudge`` steps toward the target
    and is clamped to the trim limits; trim = integral.  Gains are not used.

    Parameters
    ----------
    error_rpm : float
        Error after the deadband [rpm].
    nudge : float
        Size of a nudge [steps].

    Returns
    -------
    float
        Steps to add, positive opens [steps].

    Notes
    -----
    Source: common practice, no source.
    """
    if error_rpm > 0.0:
        return nudge
    if error_rpm < 0.0:
        return -nudge
    return 0.0
