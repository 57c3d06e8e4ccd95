"""What one look at a run under way says, in numbers, in words and as JSON."""

import json
from dataclasses import dataclass, fields

from thermlab.runs.records import Flag


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look at a run under way; what cannot be had yet is None.

    Attributes
    ----------
    run : str
        Which run.
    soak_min : float
        Minutes of soak so far; 0 before its first readings.
    rise_K : float or None
        Rise over the room now, on the fitted approach.
    settled_rise_K, u_K : float or None
        Settled rise it is heading for at the logged power, and its standard uncertainty from the fit.
    left_K, left_bound_K : float or None
        What is still to come, and the most it can be in size (one-sided 95 %).
    minutes_to_settle : float or None
        Until at most 0.5 K is left.
    minutes_to_sure : float or None
        Until the uncertainty of the fit is below a tenth of the margin.
    no_forecast : str or None
        Why there is no settled rise yet; None where there is one.
    ready : bool
        Whether both hold now, on a soak long enough for its extrapolation to be trusted, and no alarm is graver than
        a note.
    finished : bool
        Whether the log has reached the declared end of the run.
    alarms : tuple of Flag
        What is wrong, the gravest first.
    """

    run: str
    soak_min: float = 0.0
    rise_K: float | None = None
    settled_rise_K: float | None = None
    u_K: float | None = None
    left_K: float | None = None
    left_bound_K: float | None = None
    minutes_to_settle: float | None = None
    minutes_to_sure: float | None = None
    no_forecast: str | None = None
    ready: bool = False
    finished: bool = False
    alarms: tuple[Flag, ...] = ()

    def to_json(self) -> str:
        """Return one JSON object on one line."""
        told = {each.name: getattr(self, each.name) for each in fields(self)}
        told["alarms"] = [{"flag": a.flag, "severity": a.severity, "reason": a.reason} for a in self.alarms]
        return json.dumps(told, allow_nan=False)

    def summary(self) -> str:
        """Return one block of lines for a person."""
        wrong = [f"  {alarm.severity}, {alarm.flag}: {alarm.reason}" for alarm in self.alarms]
        return "\n".join([f"{self.run}, {self.soak_min:.1f} min of soak: {self._state()}", *self._heading(), *wrong])

    def _state(self) -> str:
        if self.soak_min == 0.0:
            return "no reading of this run yet"
        if self.finished:
            return "its end is reached"
        return "ready, the soak may end" if self.ready else "go on"

    def _heading(self) -> list[str]:
        if self.rise_K is None:
            return []
        if self.settled_rise_K is None:
            return [f"  {self.rise_K:.1f} K over the room; too early to say where it is heading: {self.no_forecast}"]
        lines = [
            f"  {self.rise_K:.1f} K over the room now, heading for {self.settled_rise_K:.2f} K (u {self.u_K:.2f} K)",
            f"  {self.left_K:+.2f} K to come, at most {self.left_bound_K:.2f} K",
        ]
        if not (self.ready or self.finished):
            lines.append(
                f"  {self.minutes_to_settle:.0f} min until at most 0.5 K is left, "
                f"{self.minutes_to_sure:.0f} min until the fit is sure enough for the margin"
            )
        return lines
