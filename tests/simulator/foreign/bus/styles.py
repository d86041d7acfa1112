"""Invented database styles: how makers name, scale, group, order and time their signals."""

from __future__ import annotations

from dataclasses import dataclass

from tests.simulator.foreign.draws import SeededDraws

CHANNELS = (
    "vehicle_speed", "engine_speed", "supply_voltage", "system_voltage", "module_temperature",
    "assist_limit", "assist_torque", "motor_current", "module_current", "driver_torque",
    "steering_angle", "assist_mode", "module_status", "system_current", "ambient_temperature",
    "coolant_temperature", "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scaling:
    """How a value is written: ``factor`` and ``offset`` are the database's own.

    ``per_unit`` and ``base`` turn the channel's unit into the database's: written value =
    channel value x ``per_unit`` + ``base``. ``odd`` units need the profile's long form.
    """

    unit: str
    bits: int
    signed: bool
    factor: float
    offset: float = 0.0
    per_unit: float = 1.0
    base: float = 0.0
    odd: bool = False


_KPH = (
    Scaling("km/h", 16, False, 0.01), Scaling("mph", 16, False, 0.01, 0.0, 1 / 1.609344),
    Scaling("m/s", 16, False, 0.002, 0.0, 1 / 3.6), Scaling("km/h", 12, False, 0.05),
)  # fmt: skip
_WHEEL = tuple(Scaling(s.unit, 12, False, 0.05, 0.0, s.per_unit) for s in _KPH)
_RPM = (Scaling("rpm", 16, False, 0.25), Scaling("1/min", 14, False, 1.0))
_VOLT = (
    Scaling("V", 16, False, 0.01), Scaling("mV", 16, False, 1.0, 0.0, 1000.0),
    Scaling("V", 10, False, 0.1), Scaling("dV", 12, False, 0.2, 0.0, 10.0, 0.0, True),
    Scaling("V", 12, False, 0.02),
)  # fmt: skip
_DEG_C = (
    Scaling("degC", 8, False, 1.0, -40.0), Scaling("°C", 12, True, 0.1),
    Scaling("degF", 9, False, 1.0, -40.0, 1.8, 32.0), Scaling("C", 9, False, 0.5, -40.0),
)  # fmt: skip
_LIMIT = (
    Scaling("%", 8, False, 0.5), Scaling("%", 10, False, 0.1), Scaling("%", 7, False, 1.0),
    Scaling("ratio", 8, False, 0.005, 0.0, 0.01, 0.0, True),
)  # fmt: skip
_TORQUE = (
    Scaling("Nm", 14, True, 0.01), Scaling("Nm", 13, True, 0.02),
    Scaling("cNm", 14, True, 1.0, 0.0, 100.0, 0.0, True), Scaling("N.m", 14, False, 0.01, -81.92),
)  # fmt: skip
_AMPS = (
    Scaling("A", 14, True, 0.05), Scaling("A", 13, True, 0.1),
    Scaling("mA", 16, True, 20.0, 0.0, 1000.0), Scaling("A", 15, False, 0.05, -819.2),
)  # fmt: skip
_ANGLE = (
    Scaling("deg", 16, True, 0.1), Scaling("deg", 15, True, 0.05),
    Scaling("rad", 16, True, 0.0005, 0.0, 0.017453292519943295),
    Scaling("deg", 16, True, 0.1, 0.0, -1.0, 0.0, True),
)  # fmt: skip
_TEXT = (Scaling("", 4, False, 1.0),)

SCALINGS: dict[str, tuple[Scaling, ...]] = {
    "vehicle_speed": _KPH, "engine_speed": _RPM, "supply_voltage": _VOLT,
    "system_voltage": _VOLT, "module_temperature": _DEG_C, "assist_limit": _LIMIT,
    "assist_torque": _TORQUE, "motor_current": _AMPS, "module_current": _AMPS,
    "driver_torque": _TORQUE, "steering_angle": _ANGLE, "assist_mode": _TEXT,
    "module_status": _TEXT, "system_current": _AMPS, "ambient_temperature": _DEG_C,
    "coolant_temperature": _DEG_C, "wheel_speed_fl": _WHEEL, "wheel_speed_fr": _WHEEL,
    "wheel_speed_rl": _WHEEL, "wheel_speed_rr": _WHEEL,
}  # fmt: skip

# One row a style, in the order of CHANNELS.
NAMES: dict[str, tuple[str, ...]] = {
    "camel": (
        "GroundSpeed", "CrankRotation", "SteerUnitVoltage", "BatteryVoltage", "SteerUnitTemp",
        "AssistAvailable", "AssistEffort", "AssistMotorAmps", "SteerUnitAmps", "RiderTorque",
        "BarAngle", "SteerProgram", "SteerUnitState", "BatteryAmps", "OutsideTemp", "CoolantTemp",
        "WheelSpeedFL", "WheelSpeedFR", "WheelSpeedRL", "WheelSpeedRR",
    ),
    "snake": (
        "veh_spd", "eng_rpm", "eps_ubat", "sys_volt", "eps_temp", "eps_assist_limit",
        "eps_assist_trq", "eps_mot_curr", "eps_supply_curr", "eps_driver_trq", "steer_angle",
        "eps_mode", "eps_status", "batt_curr", "amb_temp", "eng_cool_temp", "whl_spd_fl",
        "whl_spd_fr", "whl_spd_rl", "whl_spd_rr",
    ),
    "upper": (
        "VSPD_ACT", "ENG_N", "PS_TERM30_U", "BAT_U", "PS_ECU_T", "PS_LIM_ACT", "PS_TRQ_ASST",
        "PS_I_MOT", "PS_I_TERM30", "PS_TRQ_HAND", "STR_ANG", "PS_MODE", "PS_STAT", "BAT_I",
        "AMB_T", "ENG_T_CLT", "WSP_FL", "WSP_FR", "WSP_RL", "WSP_RR",
    ),
    "prefixed": (
        "vVehicle", "nEngine", "uSteerSupply", "uBattery", "tSteerEcu", "rAssistMax",
        "mAssist", "iMotor", "iSteerSupply", "mHandwheel", "aSteering", "eSteerMode",
        "eSteerState", "iBattery", "tAmbient", "tCoolant", "vWheelFL", "vWheelFR", "vWheelRL",
        "vWheelRR",
    ),
    "foreign_tongue": (
        "Fahrgeschw", "Motordrehzahl", "LenkSpannung", "Bordnetzspannung", "LenkTemperatur",
        "LenkHilfeGrenze", "LenkHilfeMoment", "LenkMotorstrom", "LenkVersorgungsstrom",
        "FahrerMoment", "Lenkwinkel", "LenkModus", "LenkZustand", "Batteriestrom",
        "Aussentemperatur", "Kuehlmitteltemp", "RadVL", "RadVR", "RadHL", "RadHR",
    ),
    "numbered": (
        "Sig_1041", "Sig_1102", "Sig_2203", "Sig_3311", "Sig_2207", "Sig_2211", "Sig_2101",
        "Sig_2102", "Sig_2204", "Sig_2103", "Sig_1207", "Sig_2290", "Sig_2291", "Sig_3312",
        "Sig_3401", "Sig_1103", "Sig_1042", "Sig_1043", "Sig_1044", "Sig_1045",
    ),
}  # fmt: skip

MESSAGE_NAMES: dict[str, str] = {
    "camel": "{0}Report{1}", "snake": "{0}_msg_{1}", "upper": "{0}_{1}", "prefixed": "Tx{0}{1}",
    "foreign_tongue": "Bot_{0}_{1}", "numbered": "Msg_{2:03X}",
}  # fmt: skip

# Which channels travel together, who sends them, and how fast a style may send them (s).
Group = tuple[str, tuple[str, ...], tuple[float, ...]]
_COMMON: tuple[Group, ...] = (
    ("chassis", ("vehicle_speed",), (0.02, 0.05, 0.1)),
    ("chassis", ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr"),
     (0.02, 0.05, 0.1)),
    ("engine", ("engine_speed",), (0.02, 0.05, 0.1)),
    ("engine", ("coolant_temperature",), (0.2, 1.0)),
    ("power", ("system_voltage", "system_current"), (0.1, 0.2, 0.5)),
    ("panel", ("ambient_temperature", "assist_mode"), (0.2, 0.5, 1.0)),
)  # fmt: skip
GROUPINGS: dict[str, tuple[Group, ...]] = {
    "two_messages": (
        ("module", ("driver_torque", "assist_torque", "motor_current"), (0.01, 0.02)),
        ("module", ("assist_limit", "module_temperature", "supply_voltage", "module_current",
                    "module_status"), (0.02, 0.05, 0.1)),
        ("chassis", ("steering_angle",), (0.01, 0.02)),
        *_COMMON,
    ),
    "three_messages": (
        ("module", ("driver_torque", "steering_angle"), (0.01, 0.02)),
        ("module", ("assist_torque", "motor_current", "assist_limit"), (0.005, 0.01, 0.02)),
        ("module", ("module_temperature", "supply_voltage", "module_current", "module_status"),
         (0.05, 0.1, 0.15)),
        *_COMMON,
    ),
    "spread_out": (
        ("module", ("driver_torque",), (0.01, 0.02)),
        ("module", ("assist_torque", "assist_limit"), (0.02, 0.05)),
        ("module", ("motor_current", "module_current", "supply_voltage"), (0.02, 0.05)),
        ("module", ("module_temperature", "module_status"), (0.1, 0.5)),
        ("chassis", ("steering_angle",), (0.01, 0.02)),
        *_COMMON,
    ),
}  # fmt: skip

SENDERS = ("one", "several", "none", "split")
UNIT_NAMES = {
    "module": ("SteerNode", "SteerNodeB"), "chassis": ("ChassisNode", "ChassisNode"),
    "engine": ("EngineNode", "EngineNode"), "power": ("PowerNode", "PowerNode"),
    "panel": ("PanelNode", "PanelNode"),
}  # fmt: skip
NO_SENDER = "Vector__XXX"


@dataclass(frozen=True, slots=True, kw_only=True)
class BusStyle:
    """One maker's way of doing it, drawn once per ride."""

    naming: str
    grouping: tuple[Group, ...]
    senders: str
    extended: bool
    motorola_share: float
    scaling: dict[str, Scaling]
    periods: tuple[float, ...]
    first_id: int
    counters: bool


def draw_style(draw: SeededDraws) -> BusStyle:
    """Draw a style: any naming with any grouping, units, senders, byte order and rates."""
    grouping = GROUPINGS[draw.one_of(sorted(GROUPINGS))]
    speed = int(draw.rng.integers(len(_KPH)))
    scaling = {channel: draw.one_of(choices) for channel, choices in SCALINGS.items()}
    for channel in CHANNELS:
        if channel == "vehicle_speed" or channel.startswith("wheel"):
            scaling[channel] = SCALINGS[channel][speed]
    extended = draw.chance(0.3)
    return BusStyle(
        naming=draw.one_of(sorted(NAMES)), grouping=grouping, senders=draw.one_of(SENDERS),
        extended=extended, motorola_share=draw.one_of((0.0, 0.0, 0.5, 1.0)), scaling=scaling,
        periods=tuple(draw.one_of(periods) for _, _, periods in grouping),
        first_id=draw.count(0x0C10_0000, 0x0CF0_0000) if extended else draw.count(0x90, 0x1F0),
        counters=draw.chance(0.5),
    )  # fmt: skip
