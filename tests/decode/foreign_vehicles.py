"""Vehicles that no rule was written for: drawn names, layouts, units, directions and ids.

Each draws a language or no words at all, spellings of units, byte order, floats, multiplexed
messages, amounts with a direction bit, left or right positive sides, and decoys. What a signal
carries is known, so a wrong choice shows.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode import load_databases
from canassist.model import CHANNEL_UNITS, FrameSource, MessageFrames
from tests.decode.hand_frames import stats_of
from tests.decode.invented_ride import LENGTH_S, STEP_S, put_bits, ride

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from canassist.decode import Databases, DecodedRide, MessageLayout, SignalLayout
    from canassist.model import BusStats, Channel, FloatArray

_CHANNELS_TEXT: Final = """
    vehicle_speed engine_speed supply_voltage system_voltage module_temperature assist_limit
    assist_torque motor_current module_current driver_torque steering_angle assist_mode
    module_status coolant_temperature ambient_temperature wheel_speed_fl wheel_speed_fr
    wheel_speed_rl wheel_speed_rr
"""
_CHANNELS: Final = tuple(_CHANNELS_TEXT.split())
_DECOYS_TEXT: Final = """
    engine_torque gearbox_speed oil_temperature cabin_temperature set_speed lead_speed
    trailer_voltage five_volt lane_torque lateral assist_request winding_temperature
    charge_target idle_target angle_rate system_current
"""
_DECOYS: Final = tuple(_DECOYS_TEXT.split())
WORDS: Final = {
    "english": (
        "RoadSpeed EngSpd EpsSupplyVolt BattVolt EpsEcuTemp AssistAvail AssistTrq EpsMotCurr "
        "EpsSupplyCurr DrvTrq SteerAng AssistMode EpsState CoolantTemp OutsideTemp WhlSpdFL "
        "WhlSpdFR WhlSpdRL WhlSpdRR EngTrq GbxSpd OilTemp CabinTemp SetSpd LeadSpd "
        "TrailerVolt Sensor5V LaneTrq LatAcc AssistTrqReq WindingTemp ChargeTarget IdleTarget "
        "SteerAngRate BattCurr"
    ),
    "portuguese": (
        "VelocidadeVeiculo RotacaoMotor TensaoAlimDirecao TensaoBateria TempModuloDirecao "
        "LimiteAssistencia TorqueAssistencia CorrenteMotorDirecao CorrenteModulo "
        "TorqueCondutor AnguloVolante ModoAssistencia EstadoDirecao TempAgua TempExterna "
        "VelRodaDE VelRodaDD VelRodaTE VelRodaTD TorqueMotor RotCambio TempOleo TempCabine "
        "VelAlvo VelFrente TensaoReboque Tensao5V TorqueFaixa AcelLat TorqueAssistPedido "
        "TempEnrolamento TensaoAlvo MarchaLentaAlvo TaxaAngulo CorrenteBateria"
    ),
    "polish": (
        "PredkoscPojazdu ObrotySilnika NapiecieWspomagania NapiecieAkumulatora TempSterownika "
        "DostepnoscWspomagania MomentWspomagania PradSilnikaWsp PradModulu MomentKierowcy "
        "KatKierownicy TrybWspomagania StanWspomagania TempPlynu TempZewn PredkKolaPL "
        "PredkKolaPP PredkKolaTL PredkKolaTP MomentSilnika ObrotySkrzyni TempOleju TempKabiny "
        "PredkZadana PredkObiektu NapieciePrzyczepy Napiecie5V MomentPasa PrzyspPoprz "
        "MomentZadany TempUzwojenia NapZadane ObrZadane PredkKatowa PradAkumulatora"
    ),
    "swedish": (
        "Fordonshastighet Motorvarvtal ServoMatning Batterispanning ServoTemp "
        "ServoTillganglig ServoMoment ServoMotorstrom ServoStrom Forarmoment Rattvinkel "
        "ServoLage ServoTillstand Kylvatten Utetemp HjulVF HjulHF HjulVB HjulHB Motormoment "
        "Vaxelladsvarv Oljetemp Kupetemp Borhastighet Objekthastighet Slapspanning "
        "Givarspanning Filmoment Sidoacc BorMoment Lindningstemp Laddborvarde Tomgangsbor "
        "Rattvinkelhastighet Batteristrom"
    ),
    "finnish": (
        "AjonNopeus MoottorinNopeus OhjausJannite AkkuJannite OhjausLampo TehostusRaja "
        "TehostusMomentti TehostusVirta OhjausVirta KuljettajaMomentti OhjausKulma "
        "TehostusTila OhjausTila JaahdytysLampo UlkoLampo PyoraEV PyoraEO PyoraTV PyoraTO "
        "MoottoriMomentti VaihteistoNopeus OljyLampo SisaLampo TavoiteNopeus KohdeNopeus "
        "PeravaunuJannite AnturiJannite KaistaMomentti SivuKiihtyvyys PyyntoMomentti "
        "KaamiLampo TavoiteJannite TyhjakayntiTavoite KulmaNopeus AkkuVirta"
    ),
    "turkish": (
        "TasitHizi MotorDevri DireksiyonGerilimi AkuGerilimi UniteSicakligi DestekSiniri "
        "DestekTorku MotorAkimi UniteAkimi SurucuTorku DireksiyonAcisi DestekModu "
        "DireksiyonDurumu SuSicakligi DisSicaklik TekerHiziSolOn TekerHiziSagOn "
        "TekerHiziSolArka TekerHiziSagArka MotorTorku SanzimanDevri YagSicakligi "
        "KabinSicakligi HedefHiz OndekiHiz RomorkGerilimi Sensor5V SeritTorku YanIvme "
        "IstenenTork SargiSicakligi HedefGerilim RolantiHedef AciHizi AkuAkimi"
    ),
    "romaji": (
        "Shasoku EnginKaiten EpsDengen BatteriDenatsu EpsOndo AssistoGenkai AssistoToruku "
        "MotaDenryu EpsDenryu SojuToruku Dakaku AssistoModo EpsJotai Suion Gaikion SharinFL "
        "SharinFR SharinRL SharinRR EnginToruku MissionKaiten Yuon Shitsuon MokuhyoSoku "
        "SenkoSoku TorelaDenatsu SensaDenatsu RenToruku YokoG ShijiToruku MakisenOndo "
        "MokuhyoDenatsu IdoruMokuhyo DakakuSokudo BatteriDenryu"
    ),
}
UNITS: Final = {
    "speed": (("km/h", 1.0), ("kph", 1.0), ("mph", 1.609344), ("m/s", 3.6)),
    "revs": (("rpm", 1.0), ("1/min", 1.0), ("rad/s", 9.549297)),
    "voltage": (("V", 1.0), ("Volt", 1.0), ("mV", 0.001)),
    "temperature": (("degC", 1.0), ("°C", 1.0), ("C", 1.0)),
    "share": (("%", 1.0),),
    "torque": (("Nm", 1.0), ("N.m", 1.0), ("lbf.ft", 1.3558179)),
    "current": (("A", 1.0), ("mA", 0.001)),
    "angle": (("deg", 1.0), ("°", 1.0), ("rad", 57.29578)),
    "rate": (("deg/s", 1.0),),
    "g": (("m/s2", 1.0),),
    "state": (("", 1.0),),
}
_KIND: Final = {
    "vehicle_speed": "speed",
    "set_speed": "speed",
    "lead_speed": "speed",
    "engine_speed": "revs",
    "gearbox_speed": "revs",
    "idle_target": "revs",
    "assist_limit": "share",
    "assist_mode": "state",
    "module_status": "state",
    "angle_rate": "rate",
    "steering_angle": "angle",
    "lateral": "g",
    "five_volt": "voltage",
    "charge_target": "voltage",
    "assist_request": "torque",
}
_SIGNED: Final = frozenset(
    {
        "driver_torque",
        "assist_torque",
        "motor_current",
        "steering_angle",
        "assist_request",
        "lane_torque",
        "lateral",
        "angle_rate",
        "system_current",
    }
)
SIDED: Final = frozenset({"driver_torque", "assist_torque", "motor_current", "steering_angle"})


def kind_of(quantity: str) -> str:
    """Return what is measured."""
    if quantity in _KIND:
        return _KIND[quantity]
    for kind in ("torque", "current", "voltage", "temperature"):
        if kind in quantity:
            return kind
    return "speed"


@dataclass(frozen=True, kw_only=True)
class ForeignVehicle:
    """One drawn vehicle: its database text, frames, and what each signal carries."""

    text: str
    databases: Databases
    seed: int
    frames: dict[FrameSource, MessageFrames]
    stats: BusStats
    carries: dict[str, str]
    traits: dict[str, object] = field(default_factory=dict)


@dataclass(slots=True)
class _Signal:
    name: str
    quantity: str
    unit: str
    per_unit: float
    factor: float
    length: int
    signed: bool
    is_float: bool = False
    amount: bool = False
    direction: str = ""
    comment: str = ""
    sign: float = 1.0


def draw_vehicle(seed: int, folder: Path) -> ForeignVehicle:
    """Draw one vehicle and its ride."""
    dice = random.Random(seed)  # noqa: S311 - no secret
    truth = truth_of(seed)
    language = dice.choice([*WORDS, *WORDS, "none"])
    units = dice.choice(["all", "all", "all", "some", "none"])
    traits: dict[str, object] = {
        "language": language,
        "units": units,
        "big": dice.random() < 0.4,
        "left": dice.random() < 0.25,
        "float": dice.random() < 0.15,
        "amounts": dice.random() < 0.25,
        "mux": dice.random() < 0.3,
        "ids": dice.choice(["11", "11", "29", "j1939", "obd"]),
        "buses": dice.choice([1, 1, 2]),
    }
    spelled = {kind: dice.choice(ways) for kind, ways in UNITS.items()}
    absent = {one for one in (*_CHANNELS, *_DECOYS) if dice.random() < 0.12}
    signals = [
        _signal(quantity, place, traits, spelled, dice)
        for place, quantity in enumerate((*_CHANNELS, *_DECOYS))
        if quantity not in absent
    ]
    groups = _grouped(signals, dice)
    lines, plans = _layout(groups, traits, dice)
    path = folder / f"foreign_{seed}.dbc"
    text = "\n".join(lines) + "\n"
    path.write_text(text, encoding="utf-8")
    databases = load_databases([path])
    by_name = {one.name: one for group in groups for one in group}
    frames: dict[FrameSource, MessageFrames] = {}
    for number, message in enumerate(databases.messages):
        bus = number % int(str(traits["buses"]))
        source = FrameSource(bus, message.key)
        frames[source] = _frames(message, source, by_name, truth, plans[message.name])
    carries = {
        signal.full_name: by_name[signal.name].quantity
        for message in databases.messages
        for signal in message.signals
        if signal.name in by_name
    }
    return ForeignVehicle(
        text=text,
        databases=databases,
        seed=seed,
        frames=frames,
        stats=stats_of(frames, ("can0", "can1")),
        carries=carries,
        traits=traits,
    )


def _signal(
    quantity: str,
    place: int,
    traits: dict[str, object],
    spelled: dict[str, tuple[str, float]],
    dice: random.Random,
) -> _Signal:
    language = str(traits["language"])
    name = f"P{101 + 7 * place}" if language == "none" else WORDS[language].split()[place]
    kind = kind_of(quantity)
    unit, per_unit = spelled[kind]
    shown = unit if traits["units"] == "all" or dice.random() < 0.5 else ""
    if traits["units"] == "none":
        shown = ""
    if not shown:
        per_unit = 1.0
    signed = quantity in _SIGNED
    amount = bool(traits["amounts"]) and quantity in SIDED
    factor = {
        "speed": dice.choice([0.01, 0.05, 0.1]),
        "revs": dice.choice([0.125, 0.25, 1.0]),
        "voltage": dice.choice([0.01, 0.02, 0.05]),
        "temperature": dice.choice([0.5, 1.0]),
        "share": dice.choice([0.4, 0.5, 1.0]),
        "torque": dice.choice([0.01, 0.05, 0.1]) if quantity != "engine_torque" else 0.5,
        "current": dice.choice([0.05, 0.1]),
        "angle": dice.choice([0.05, 0.1]),
        "rate": 1.0,
        "g": 0.01,
        "state": 1.0,
    }[kind] / per_unit
    is_float = bool(traits["float"]) and kind not in {"state", "share"} and dice.random() < 0.5
    length = 32 if is_float else 4 if kind == "state" else 8 if kind == "share" else 16
    sign = -1.0 if traits["left"] and quantity in SIDED else 1.0
    comment = ""
    if quantity in SIDED and dice.random() < 0.3 and not amount:
        comment = "positive to the left" if sign < 0 else "positive to the right"
    return _Signal(
        name=name,
        quantity=quantity,
        unit=shown,
        per_unit=per_unit,
        factor=1.0 if is_float else float(f"{factor:.6g}"),
        length=length,
        signed=signed and not amount,
        is_float=is_float,
        amount=amount,
        direction=f"{name}{dice.choice(['Dir', 'Sgn', 'Vz', 'Sign'])}" if amount else "",
        comment=comment,
        sign=sign,
    )


_TOGETHER: Final = (
    "driver_torque assist_torque motor_current steering_angle assist_request",
    "module_temperature winding_temperature assist_limit supply_voltage module_current "
    "module_status assist_mode",
    "vehicle_speed set_speed lead_speed",
    "wheel_speed_fl wheel_speed_fr wheel_speed_rl wheel_speed_rr",
    "engine_speed engine_torque idle_target gearbox_speed",
    "coolant_temperature ambient_temperature oil_temperature cabin_temperature",
    "system_voltage system_current trailer_voltage five_volt charge_target",
)


def _grouped(signals: list[_Signal], dice: random.Random) -> list[list[_Signal]]:
    """Return what is sent in one message: usually what one unit measures."""
    groups = [[one for one in signals if one.quantity in words.split()] for words in _TOGETHER]
    groups.append([one for one in signals if not any(one in group for group in groups)])
    split: list[list[_Signal]] = []
    for group in groups:
        dice.shuffle(group)
        part: list[_Signal] = []
        bits = 0
        for one in group:
            need = one.length + (8 if one.amount else 0)
            if bits + need > 56:
                split.append(part)
                part, bits = [], 0
            part.append(one)
            bits += need
        split.append(part)
    return [one for one in split if one]


def _layout(
    groups: list[list[_Signal]], traits: dict[str, object], dice: random.Random
) -> tuple[list[str], dict[str, float]]:
    lines, comments, plans = ['VERSION ""', "BU_: U1 U2 U3 U4"], [], {}
    used: set[int] = set()
    for place, group in enumerate(groups):
        number = _number(traits, place, dice, used)
        name = f"Msg{place}"
        slow = all("temperature" in one.quantity or "voltage" in one.quantity for one in group)
        plans[name] = 0.1 if slow else dice.choice([0.01, 0.02])
        lines.append(f"BO_ {number} {name}: 8 U{1 + place % 4}")
        mux = bool(traits["mux"]) and slow and len(group) > 1
        if mux:
            lines.append(' SG_ Page M : 0|8@1+ (1,0) [0|0] "" Vector__XXX')
        bit = 8
        for row, one in enumerate(group):
            start = 8 if mux else bit
            lines.append(_line(one, start, f" m{row}" if mux else "", big=bool(traits["big"])))
            bit += one.length
            if one.amount:
                lines.append(f' SG_ {one.direction} : {bit}|1@1+ (1,0) [0|1] "" Vector__XXX')
                bit += 8
            if one.comment:
                comments.append(f'CM_ SG_ {number} {one.name} "{one.comment}";')
            if one.is_float:
                comments.append(f"SIG_VALTYPE_ {number} {one.name} : 1;")
    return [*lines, *comments], plans


def _number(traits: dict[str, object], place: int, dice: random.Random, used: set[int]) -> int:
    standards = [0xFEF1, 0xF004, 0xFEF7, 0xFEEE, 0xFEF5, 0xF009]
    while True:
        if traits["ids"] == "29":
            number = 0x80000000 | dice.randrange(0x10000000, 0x1FFFFFFF)
        elif traits["ids"] == "j1939":
            group = dice.choice(standards) if place < 4 else 0xFF00 + dice.randrange(256)
            number = 0x80000000 | 0x18000000 | group << 8 | dice.randrange(250)
        elif traits["ids"] == "obd" and place < 2:
            number = 0x7E8 + place
        else:
            number = dice.randrange(0x20, 0x7D0)
        if number not in used:
            used.add(number)
            return number


def _line(one: _Signal, start: int, mux: str, *, big: bool) -> str:
    place = start // 8 * 8 + 7 if big else start
    kind = "-" if one.signed or one.is_float else "+"
    offset = -40 if kind_of(one.quantity) == "temperature" and not one.is_float else 0
    return (
        f" SG_ {one.name}{mux} : {place}|{one.length}@{0 if big else 1}{kind} "
        f'({one.factor!r},{offset}) [0|0] "{one.unit}" Vector__XXX'
    )


def _frames(
    message: MessageLayout,
    source: FrameSource,
    by_name: dict[str, _Signal],
    truth: Mapping[str, FloatArray],
    period: float,
) -> MessageFrames:
    time_s = np.arange(0.0007 * (message.key % 13), LENGTH_S - period, period)
    rows = np.minimum((time_s / STEP_S).astype(np.int64), len(truth["time"]) - 1)
    bits = np.zeros((len(time_s), message.length * 8), dtype=np.uint8)
    pages = [one for one in message.signals if one.selector]
    turn = np.arange(len(time_s)) % max(1, len(pages))
    for signal in message.signals:
        if signal.name == "Page":
            put_bits(bits, signal, turn.astype(np.float64))
            continue
        one = by_name.get(signal.name)
        if one is None:  # a direction
            owner = next(item for item in by_name.values() if item.direction == signal.name)
            value = (truth[owner.quantity] * owner.sign < 0.0).astype(np.float64)
        else:
            value = truth[one.quantity] / one.per_unit * one.sign
            value = np.abs(value) if one.amount else value
        mine = np.ones(len(time_s), dtype=bool)
        if signal.selector:
            mine = turn == signal.selector_values[0]
        part = bits[mine]
        if signal.is_float:
            _put_float(part, signal, value[rows][mine])
        else:
            put_bits(part, signal, value[rows][mine])
        bits[mine] = part
    return MessageFrames(
        source=source,
        time_s=time_s,
        payload=np.packbits(bits, axis=1),
        length=np.full(len(time_s), message.length, dtype=np.uint8),
    )


def _put_float(bits: NDArray[np.uint8], signal: SignalLayout, value: FloatArray) -> None:
    raw = value.astype(">f4" if signal.big_endian else "<f4").view(np.uint8).reshape(-1, 4)
    first = signal.start // 8
    for place in range(4):
        bits[:, 8 * (first + place) : 8 * (first + place) + 8] = np.unpackbits(
            raw[:, place : place + 1], axis=1
        )


def truth_of(seed: int) -> Mapping[str, FloatArray]:
    """Return the ride that a drawn vehicle is ridden on."""
    return ride(1 + seed % 3)


def verdict(found: DecodedRide, channel: str, vehicle: ForeignVehicle) -> str:
    """Return right, asked, open, none, or wrong with its reason."""
    one, choice = found.channels.get(channel), found.ranking.get(channel)
    if one is None:
        if choice is not None and choice.doubt:
            return "asked"
        return "open" if channel in vehicle.carries.values() else "none"
    if one.doubt or one.held_out or not one.unit_known:
        return "asked"
    carried = vehicle.carries.get(one.signal)
    meant = "system_voltage" if one.stands_in and channel == "supply_voltage" else channel
    if carried != meant:
        return f"wrong: is {carried}"
    return "right" if CHANNEL_UNITS[channel] == "-" or meant != channel else _reads(one, vehicle)


def _reads(one: Channel, vehicle: ForeignVehicle) -> str:
    truth = truth_of(vehicle.seed)
    expected = np.interp(one.time_s, truth["time"], truth[one.name])
    apart = float(np.nanmedian(np.abs(np.abs(one.value) - np.abs(expected))))
    if apart > 0.05 * float(np.ptp(expected)) + 0.5:
        return "unchecked" if "unit" in one.not_checked else "wrong: scale"
    if one.name in SIDED and one.sign_known:
        valid = ~np.isnan(one.value)
        along = float(np.corrcoef(one.value[valid], expected[valid])[0, 1])
        if along < 0.9:
            return "unchecked" if "sign" in one.not_checked else f"wrong: sign {along:.2f}"
    return "right"
