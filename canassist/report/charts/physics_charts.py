"""Charts of the estimates: each has its message as its title."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.report.charts.chart_values import (
    Chart,
    ChartLine,
    Limit,
    Range,
    Row,
    Style,
    extremes,
    marks,
    nice_range,
    nice_step,
    time_ticks,
)
from canassist.report.charts.event_styles import EventFamily
from canassist.report.charts.reduce import bucket_edges, reduce_min_max
from canassist.report.page.measures import MINUS
from canassist.report.page.times import minutes_seconds

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import (
        AssistBand,
        AssistFit,
        ChargingFit,
        FloatArray,
        Points,
        Result,
        SupplyPath,
        ThermalFit,
        TorqueRest,
    )
    from canassist.report.page.measures import Measures

_TALL_PX: Final = 230
_BAND_PX: Final = 120
_MOST_POINTS: Final = 320
_STILL_BUCKETS: Final = 220


@dataclass(frozen=True, slots=True)
class PhysicsCharts:
    """Draws the estimates of one result; a chart without its estimate is left out."""

    result: Result
    measures: Measures

    def all(self) -> Iterator[Chart]:
        """Yield the charts that the ride carries, by name as evidence calls them."""
        found = self.result.physics
        if found.supply_path is not None and len(found.supply_path.points.x):
            yield self._supply(found.supply_path)
        if found.thermal is not None and len(found.thermal.time_s):
            yield self._thermal(found.thermal)
        if found.assist is not None:
            yield from self._assist(found.assist)
        if found.charging is not None and len(found.charging.points.x):
            yield self._charging(found.charging)
        if found.torque_rest is not None and len(found.torque_rest.time_s):
            yield self._torque_rest(found.torque_rest)

    def _supply(self, path: SupplyPath) -> Chart:
        ohm, m = path.path_ohm, self.measures
        limit = self.result.profile.limits.max_circuit_ohm
        ends = np.array([0.0, max(float(np.nanmax(path.points.x)), 1.0)])
        is_drop = path.method == "difference"
        fit_v = ends * ohm.value if is_drop else path.open_voltage_v - ends * ohm.value
        lines = (
            _cloud("supply-points", "Stretches of the ride", path.points),
            ChartLine(key="supply-fit", label="Fitted path", x=ends, y=fit_v, style=Style.FIT),
        )
        verb = "rises" if is_drop else "falls"
        what = "Voltage drop" if is_drop else "Supply"
        message = (
            f"{what} {verb} {m.number(10 * ohm.value, 'V')} V per 10 A: "
            f"path {m.text(ohm.value, 'ohm')} "
            f"({m.number(ohm.low, 'ohm')} to {m.number(ohm.high, 'ohm')}), "
            f"limit {m.text(limit, 'ohm', 0)}"
        )
        row = Row(
            label="Voltage drop" if is_drop else "Supply at the module",
            unit="V",
            lines=lines,
            span=nice_range(extremes(lines), most=5, floor=0.2),
            places=2,
            height_px=_TALL_PX,
        )
        return self._plane("supply_path", message, (row,), "Module current, A")

    def _thermal(self, fit: ThermalFit) -> Chart:
        m, lines_c = self.measures, self.result.physics.limit_lines
        limits = self.result.profile.limits
        start_c = lines_c.derate_start_c if lines_c else limits.derate_start_c
        measured = self.result.channels.get("module_temperature")
        end = max(self.result.log.duration_s, float(fit.time_s[-1]))
        lines = [self._temperature("Model", fit.time_s, fit.model_c, end, np.inf)]
        if measured is not None and len(measured):
            own = measured.time_s, measured.value
            lines.insert(0, self._temperature("Measured", *own, end, measured.stale_after_s))
        message = (
            f"Module temperature follows its load: the model explains {m.text(fit.fit, 'share')} "
            f"with a time constant of {m.text(fit.tau_s.value, 's', 0)}"
        )
        shown = float(m.array(np.array([start_c]), "degC")[0])
        row = Row(
            label="Module temperature",
            unit=m.name("degC"),
            lines=tuple(lines),
            limits=(Limit(shown, f"assist starts to fall {m.text(start_c, 'degC', 0)}"),),
            span=nice_range([*extremes(lines), shown], most=5, floor=10.0),
            height_px=_TALL_PX,
        )
        ticks = time_ticks(0.0, end, 6)
        return Chart(
            name="thermal",
            message=message,
            rows=(row,),
            x_from=0.0,
            x_to=end,
            ticks=ticks,
            lower=tuple(minutes_seconds(tick, 0) for tick in ticks),
            over_time=True,
            x_label="minutes : seconds from the first frame",
        )

    def _temperature(
        self, label: str, time_s: FloatArray, value: FloatArray, end: float, gap: float
    ) -> ChartLine:
        x, y = reduce_min_max(time_s, value, bucket_edges(0.0, end, _STILL_BUCKETS), gap=gap)
        style, spoken = (Style.FIT, None) if label == "Model" else (Style.LINE, EventFamily.HEAT)
        y = self.measures.array(y, "degC")
        return ChartLine(key=f"thermal-{label}", label=label, x=x, y=y, style=style, spoken=spoken)

    def _assist(self, fit: AssistFit) -> Iterator[Chart]:
        bands = [band for band in fit.bands if len(band.points.x)]
        if bands:
            yield self._gain_by_band(fit, bands)
        sided = [band for band in fit.bands if band.left_gain and band.right_gain]
        if sided:
            yield self._sides(fit, sided)

    def _gain_by_band(self, fit: AssistFit, bands: list[AssistBand]) -> Chart:
        m = self.measures
        rows = tuple(self._band_row(fit, band) for band in bands)
        reach = max(float(np.nanmax(np.abs(band.points.x))) for band in bands)
        against = {"profile": "its map", "ride": "the map learned from this ride"}
        message = "Assist against driver torque, by road speed"
        if fit.ratio is not None and fit.map_from in against:
            message = (
                f"The module delivered {m.text(fit.ratio.value, 'share')} of what "
                f"{against[fit.map_from]} calls for"
            )
        unit = m.name("N·m")
        shown = float(m.array(np.array([reach]), "N·m")[0])
        label = f"Driver torque, {unit} (right positive)"
        return self._plane("assist_bands", message, rows, label, span=(-shown, shown))

    def _band_row(self, fit: AssistFit, band: AssistBand) -> Row:
        m = self.measures
        name = f"assist-{band.speed_low_kph:.0f}"
        x, y = (m.array(side, "N·m") for side in (band.points.x, band.points.y))
        cloud = _thinned(x, y)
        ends = np.array([float(np.nanmin(x)), 0.0, float(np.nanmax(x))])
        lines = [ChartLine(key=name, label="Ridden", x=cloud[0], y=cloud[1], style=Style.POINTS)]
        if band.expected_gain is not None:
            dead = float(m.array(np.array([fit.driver_deadband_nm]), "N·m")[0])
            beyond = np.sign(ends) * np.clip(np.abs(ends) - dead, 0.0, None)
            grid = np.array([ends[0], -dead, dead, ends[2]])
            expected = np.array([beyond[0], 0.0, 0.0, beyond[2]]) * band.expected_gain
            lines.append(
                ChartLine(
                    key=f"{name}-map",
                    label="Expected",
                    x=grid,
                    y=expected,
                    style=Style.FIT,
                    spoken=EventFamily.ASSIST,
                )
            )
        low, high = band.speed_low_kph, band.speed_high_kph
        label = f"{m.number(low, 'km/h', 0)} to {m.text(high, 'km/h', 0)}"
        return Row(
            label=label,
            unit=m.name("N·m"),
            lines=tuple(lines),
            span=nice_range(extremes(lines), most=3, floor=2.0),
            height_px=_BAND_PX,
        )

    def _sides(self, fit: AssistFit, bands: list[AssistBand]) -> Chart:
        m = self.measures
        middle = np.array([(band.speed_low_kph + band.speed_high_kph) / 2 for band in bands])
        speed = m.array(middle, "km/h")
        sides = {
            side: np.array([getattr(band, f"{side}_gain").value for band in bands])
            for side in ("left", "right")
        }
        lines = (
            _series("sides-left", "Left", speed, sides["left"], EventFamily.VOLTAGE),
            _series("sides-right", "Right", speed, sides["right"], EventFamily.HEAT),
        )
        message = "Assist to the left against assist to the right"
        if fit.side_difference is not None:
            limit = self.result.profile.limits.side_tolerance
            share = abs(fit.side_difference.value)
            message = (
                f"Left and right differ by {m.text(share, 'share')} "
                f"(limit {m.text(limit, 'share')})"
            )
        row = Row(
            label="Assist over driver torque",
            unit="",
            lines=lines,
            span=nice_range([0.0, *extremes(lines)], most=4, floor=1.0),
            height_px=_TALL_PX,
        )
        return self._plane("sides", message, (row,), f"Road speed, {m.name('km/h')}")

    def _charging(self, fit: ChargingFit) -> Chart:
        m, limits = self.measures, self.result.profile.limits
        cloud = _cloud("charging", "Stretches of the ride", fit.points)
        message = (
            f"With the engine above {m.text(limits.charging_rpm, 'rpm')} the supply is "
            f"{m.text(fit.voltage_v.value, 'V')} (limit {m.text(limits.charging_v, 'V', 1)})"
        )
        row = Row(
            label="Supply",
            unit="V",
            lines=(cloud,),
            limits=(Limit(limits.charging_v, f"charging {m.text(limits.charging_v, 'V', 1)}"),),
            span=nice_range([*extremes([cloud]), limits.charging_v], most=5, floor=0.5),
            places=2,
            height_px=_TALL_PX,
        )
        return self._plane("charging", message, (row,), "Engine speed, rpm")

    def _torque_rest(self, rest: TorqueRest) -> Chart:
        m, limit = self.measures, self.result.profile.limits.torque_offset_nm
        x, y = _thinned(rest.time_s, m.array(rest.torque_nm, "N·m"))
        line = ChartLine(key="torque-rest", label="At rest", x=x, y=y, style=Style.POINTS)
        shown = float(m.array(np.array([limit]), "N·m")[0])
        text = m.text(limit, "N·m", 1)
        message = f"At rest the torque reads {m.text(rest.offset_nm.value, 'N·m')} (limit ±{text})"
        row = Row(
            label="Driver torque at rest",
            unit=m.name("N·m"),
            lines=(line,),
            limits=(Limit(shown, f"+{text}"), Limit(-shown, f"{MINUS}{text}", below=True)),
            span=nice_range([*extremes([line]), shown, -shown], most=4, floor=0.5),
            places=2,
            height_px=_TALL_PX,
        )
        end = max(self.result.log.duration_s, float(rest.time_s[-1]))
        ticks = time_ticks(0.0, end, 6)
        return Chart(
            name="torque_rest",
            message=message,
            rows=(row,),
            x_from=0.0,
            x_to=end,
            ticks=ticks,
            lower=tuple(minutes_seconds(tick, 0) for tick in ticks),
            x_label="minutes : seconds from the first frame",
        )

    @staticmethod
    def _plane(
        name: str,
        message: str,
        rows: tuple[Row, ...],
        x_label: str,
        *,
        span: tuple[float, float] | None = None,
    ) -> Chart:
        """Return a chart of one quantity against another."""
        found = _x_range(rows, span)
        return Chart(
            name=name,
            message=message,
            rows=rows,
            x_from=found.low,
            x_to=found.high,
            ticks=found.ticks,
            lower=tuple(f"{tick:g}".replace("-", MINUS) for tick in found.ticks),
            over_time=False,
            x_label=x_label,
        )


def _x_range(rows: tuple[Row, ...], span: tuple[float, float] | None) -> Range:
    if span is None:
        known = np.concatenate([line.x for row in rows for line in row.lines])
        return nice_range([float(np.nanmin(known)), float(np.nanmax(known))], most=6)
    low, high = (side * 1.05 for side in span)
    return Range(low, high, marks(low, high, nice_step(high - low, 6)))


def _cloud(key: str, label: str, points: Points) -> ChartLine:
    x, y = _thinned(points.x, points.y)
    return ChartLine(key=key, label=label, x=x, y=y, style=Style.POINTS)


def _series(key: str, label: str, x: FloatArray, y: FloatArray, family: EventFamily) -> ChartLine:
    return ChartLine(key=key, label=label, x=x, y=y, spoken=family)


def _thinned(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return at most `_MOST_POINTS` points: every n-th, and all four extremes."""
    known = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    x, y = x[known], y[known]
    if len(x) <= _MOST_POINTS:
        return x, y
    rows = np.linspace(0, len(x) - 1, _MOST_POINTS - 4).astype(np.int64)
    rows = np.union1d(rows, [x.argmin(), x.argmax(), y.argmin(), y.argmax()])
    return x[rows], y[rows]
