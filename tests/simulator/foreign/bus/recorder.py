"""From the plant's arrays to frames on the bus: sampling, noise, units asleep, faults, losses."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.simulator.foreign.bus.candump import BusTraffic
from tests.simulator.foreign.bus.database import STATUS_TEXTS, BusDatabase, BusMessage, pack
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import RecordingOptions, RidePlan
from tests.simulator.foreign.vehicle.plant import PlantRecord
from tests.simulator.foreign.vehicle.protection import ROOT
from tests.simulator.foreign.vehicle.riding import STEP_S, BoolArray, FloatArray, RideInputs

NOISE = {
    "vehicle_speed": 0.05, "engine_speed": 6.0, "supply_voltage": 0.015, "system_voltage": 0.01,
    "module_temperature": 0.08, "assist_torque": 0.05, "motor_current": 0.15,
    "module_current": 0.12, "driver_torque": 0.02, "steering_angle": 0.03, "system_current": 0.2,
}  # fmt: skip
_BURST = b"\x00\x00\x08\x00\x00\x00\x00\x00"


def status_numbers(plan: RidePlan, inputs: RideInputs, record: PlantRecord) -> FloatArray:
    """Return the module's own status, as a place in `STATUS_TEXTS`."""
    number = {text: place for place, text in enumerate(STATUS_TEXTS)}
    quiet = np.isin(record.root, [ROOT["none"], ROOT["law"], ROOT["engine_off"]])
    starting = np.isin(record.root, [ROOT["start"], ROOT["break"]])
    status = np.full(record.root.size, float(number["Ready"]))
    low = (record.limit_pct < 95.0) & ~quiet & ~starting
    status[low] = number["Limited"]
    status[low & (record.limit_pct < 1.0)] = number["Shutdown"]
    status[starting & (record.limit_pct < 99.5)] = number["Starting"]
    status[record.since_start_s < min(0.05, 0.1 * plan.law.ramp_s)] = number["Boot"]
    status[inputs.fault_shown] = number["InternalFault"]
    return status


def channel_values(
    plan: RidePlan, inputs: RideInputs, record: PlantRecord
) -> dict[str, FloatArray]:
    """Return what each channel carries, 100 times a second, before noise and sampling."""
    flat = np.ones(inputs.time_s.size)
    started = inputs.time_s / 240.0
    values = {
        "vehicle_speed": inputs.bus_kph, "engine_speed": inputs.bus_rpm,
        "supply_voltage": record.supply_v, "system_voltage": record.system_v,
        "module_temperature": record.told_c, "assist_limit": record.limit_pct,
        "assist_torque": record.assist_nm, "motor_current": record.motor_a,
        "module_current": record.module_a, "driver_torque": record.driver_nm,
        "steering_angle": inputs.angle_deg, "assist_mode": inputs.mode.astype(float),
        "module_status": status_numbers(plan, inputs, record),
        "system_current": record.system_a, "ambient_temperature": inputs.ambient_c,
        "coolant_temperature": flat * plan.vehicle.coolant_c
        + np.minimum(started, 1.0) * max(0.0, 85.0 - plan.vehicle.coolant_c),
    }  # fmt: skip
    values |= {f"wheel_speed_{wheel}": kph for wheel, kph in inputs.wheel_kph.items()}
    for channel, gain in plan.recording.gain.items():
        values[channel] = values[channel] * gain
    for channel, shift in plan.recording.shift.items():
        values[channel] = values[channel] + shift
    for start, end, kelvin in plan.recording.glitches:
        place = inputs.span(start, end)
        values["module_temperature"] = values["module_temperature"].copy()
        values["module_temperature"][place] += kelvin
    for channel, stuck in inputs.frozen.items():
        values[channel] = _frozen(values[channel], stuck)
    return values


def _frozen(values: FloatArray, stuck: BoolArray) -> FloatArray:
    if not stuck.any():
        return values
    return np.where(stuck, values[int(np.argmax(stuck))], values)


def _bundle(traffic: BusTraffic, bundle_s: float) -> None:
    """Give frames the time at which their bundle was handed on, in order, 0.1 ms apart."""
    for place, series in enumerate(traffic.series):
        late = np.ceil(series.time_s / bundle_s) * bundle_s
        order = np.arange(series.time_s.size) - np.searchsorted(late, late)
        series.time_s = late + 1e-4 * order + 1e-6 * place


class Recorder:
    """Samples one ride for one database."""

    def __init__(
        self, plan: RidePlan, inputs: RideInputs, record: PlantRecord, draw: SeededDraws
    ) -> None:
        self.plan, self.inputs, self.record = plan, inputs, record
        self.draw = draw
        self.values = channel_values(plan, inputs, record)
        self.traffic = BusTraffic()

    def awake(self, unit: str) -> BoolArray:
        """Where a unit sends: the module by its supply, others until they fall asleep."""
        if unit == "module":
            own = self.record.module_on.copy()
            later = self.plan.recording.sleep_after_s.get(unit, 0.0)
            return own | self._afterwards(later) if later else own
        return self.inputs.key | self._afterwards(self.plan.recording.sleep_after_s.get(unit, 1.0))

    def _afterwards(self, seconds: float) -> BoolArray:
        """Seconds after the key went off."""
        key = self.inputs.key
        places = np.arange(key.size)
        last = np.maximum.accumulate(np.where(key, places, -1_000_000))
        return ~key & ((places - last) * STEP_S < seconds)

    def _times(self, period_s: float) -> FloatArray:
        count = int(self.inputs.end_s / period_s)
        phase = self.draw.rng.uniform(0.0, period_s)
        jitter = self.draw.rng.uniform(-0.0002, 0.0002, count)
        return np.clip(np.arange(count) * period_s + phase + jitter, 0.0, self.inputs.end_s)

    def _silent(self, message: BusMessage) -> BoolArray:
        """Where a message stops because the signal that it carries is lost."""
        lost = np.zeros(self.inputs.time_s.size, dtype=bool)
        if self.plan.recording.lost_as != "silent":
            return lost
        for item in message.signals:
            lost |= self._lost(item.channel)
        return lost

    def _lost(self, channel: str) -> BoolArray:
        if channel == "vehicle_speed":
            return self.inputs.kph_lost
        if channel == "engine_speed":
            return self.inputs.rpm_lost
        return np.zeros(self.inputs.time_s.size, dtype=bool)

    def _sampled(self, channel: str, places: NDArray[np.int64]) -> FloatArray:
        values = self.values[channel][places]
        scale = self.plan.vehicle.scale if "voltage" in channel else 1.0
        size = NOISE.get(channel, 0.0) * scale
        if size:
            noisy = values + self.draw.rng.normal(0.0, size, places.size)
            values = np.where(values == 0.0, values, noisy) if "speed" in channel else noisy
        return np.where(self._lost(channel)[places], np.nan, values)

    def add_message(self, message: BusMessage) -> None:
        """Put one message on the bus."""
        period = message.period_s
        slow = self.plan.recording.supply_period_s
        if slow and any(item.channel == "supply_voltage" for item in message.signals):
            period = slow
        times = self._times(period)
        places = np.minimum((times / STEP_S).astype(np.int64), self.inputs.time_s.size - 1)
        sends = self.awake(message.unit) & ~self._silent(message)
        times, places = times[sends[places]], places[sends[places]]
        values = {item.channel: self._sampled(item.channel, places) for item in message.signals}
        counter = np.arange(times.size).astype(np.uint64)
        self.traffic.add(
            times, message.frame_id, pack(message, values, counter), extended=message.extended
        )

    def add_background(self, database: BusDatabase) -> None:
        """Other units' traffic, of which the database knows nothing."""
        taken = {message.frame_id for message in database.messages}
        awake = self.inputs.key | self._afterwards(1.5)
        for place in range(self.draw.count(4, 9)):
            frame_id = 0x300 + place * 0x1B
            if frame_id in taken:
                continue
            times = self._times(self.draw.one_of((0.05, 0.1, 0.1, 0.2, 0.5, 1.0)))
            steps = np.minimum((times / STEP_S).astype(np.int64), awake.size - 1)
            times = times[awake[steps]]
            data = np.zeros((times.size, 8), dtype=np.uint8)
            data[:, 0] = np.arange(times.size) % 256
            data[:, 1:5] = self.draw.rng.integers(0, 256, 4)
            data[:, 5] = self.draw.rng.integers(0, 256, times.size)
            self.traffic.add(times, frame_id, data, extended=False)

    def add_errors(self) -> None:
        """Error frames."""
        for start, end, count in self.plan.recording.error_bursts:
            times = np.sort(self.draw.rng.uniform(start, end, count))
            rows = np.tile(np.frombuffer(_BURST, dtype=np.uint8), (count, 1))
            self.traffic.add(np.maximum(times, 0.0), 0x2000_0088, rows, extended=True)

    def add_codes(self) -> None:
        """Trouble codes: of other units (old), or of the steering module (its own fault)."""
        options = self.plan.recording
        at = options.code_at_s if options.code_at_s >= 0 else self.inputs.end_s + options.code_at_s
        add = self.traffic.add_one
        if options.stored_codes == "obd":  # engine: P0135, P0420
            add(at, 0x7DF, bytes.fromhex("0103000000000000"))
            add(at + 0.03, 0x7E8, bytes.fromhex("0643020135042000"))
        elif options.stored_codes == "uds":  # engine: P0420, confirmed, not failing now
            add(at, 0x7E0, bytes.fromhex("031902FF00000000"))
            add(at + 0.03, 0x7E8, bytes.fromhex("075902FF04200028"))
        elif options.stored_codes == "module_uds":  # C1B00-49 internal electronic, failing
            add(at, 0x730, bytes.fromhex("031902FF00000000"))
            add(at + 0.03, 0x738, bytes.fromhex("075902FF5B00492F"))
        elif options.stored_codes == "dm1":  # engine, SPN 110 FMI 4: coolant sensor low
            self._dm1(at, "00", "04FF6E000401FFFF")
        elif options.stored_codes == "module_dm1":  # steering controller, SPN 630 FMI 12
            self._dm1(self.plan.marks["from_s"], "13", "04FF76020C01FFFF")

    def _dm1(self, start_s: float, source: str, data: str) -> None:
        times = np.arange(start_s, self.inputs.end_s, 1.0)
        row = np.frombuffer(bytes.fromhex(data), dtype=np.uint8)
        frame_id = int(f"18FECA{source}", 16)
        self.traffic.add(times, frame_id, np.tile(row, (times.size, 1)), extended=True)

    def kept_traffic(self, database: BusDatabase, window: tuple[float, float]) -> BusTraffic:
        """Return what the recorder kept."""
        for message in database.messages:
            self.add_message(message)
        self.add_background(database)
        self.add_errors()
        if self.plan.recording.stored_codes:
            self.add_codes()
        kept = BusTraffic()
        for series in self.traffic.series:
            keep = self._kept(series.time_s, self.plan.recording, window)
            kept.series.append(series.kept(keep))
        if self.plan.recording.bundle_s:
            _bundle(kept, self.plan.recording.bundle_s)
        return kept

    def _kept(
        self, time_s: FloatArray, options: RecordingOptions, window: tuple[float, float]
    ) -> BoolArray:
        keep: BoolArray = (time_s >= window[0]) & (time_s < window[1])
        for start, end in options.holes:
            keep &= (time_s < start) | (time_s >= end)
        if options.keep_share < 1.0:
            keep &= self.draw.rng.random(time_s.size) < options.keep_share
        return keep
