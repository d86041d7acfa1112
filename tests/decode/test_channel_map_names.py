"""Names of many houses: what serves a channel ranks first for it, what does not stays low."""

from __future__ import annotations

from typing import NamedTuple

import pytest

from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
from canassist.decode.matching.database_ranking import rank_static
from canassist.decode.matching.direction import positive_side
from canassist.decode.matching.name_parts import name_means, split_name
from canassist.decode.matching.signal_text import find_unit


class Field(NamedTuple):
    """How a quantity is usually laid out."""

    unit: str
    bits: int
    scale: float
    offset: float = 0.0
    signed: bool = False


LAYOUT = {
    "vehicle_speed": Field("km/h", 16, 0.01),
    "engine_speed": Field("rpm", 16, 0.25),
    "supply_voltage": Field("V", 12, 0.01),
    "system_voltage": Field("V", 12, 0.01),
    "module_temperature": Field("degC", 8, 1.0, -40.0),
    "coolant_temperature": Field("degC", 8, 1.0, -40.0),
    "ambient_temperature": Field("degC", 8, 0.5, -40.0),
    "assist_limit": Field("%", 8, 0.5),
    "assist_torque": Field("Nm", 12, 0.05, -102.4),
    "driver_torque": Field("Nm", 12, 0.01, -20.48),
    "motor_current": Field("A", 12, 0.1, -204.8),
    "module_current": Field("A", 12, 0.1),
    "system_current": Field("A", 14, 0.1, -800.0),
    "steering_angle": Field("deg", 16, 0.1, 0.0, True),
    "module_status": Field("", 4, 1.0),
    "assist_mode": Field("", 3, 1.0),
    "wheel_speed_fl": Field("km/h", 16, 0.01),
    "wheel_speed_rr": Field("km/h", 16, 0.01),
}

# message/sender/signal, all made up
SERVES = {
    "vehicle_speed": "Brakes1/BRAKE/Brk_VehV Chassis/X/vehSpeed Motion/VCU/RoadSpd "
    "Drive/VCU/Car_Speed Stab/STAB/VehSpdEst gw/gw/velocidade_veiculo gw/gw/hastighet_fordon "
    "gw/gw/snelheid_voertuig Stab/STAB/V_VEHICLE Yaw/YAW/VehicleSpeedSig A/B/GroundSpd "
    "F1/X/SPEED_KMH Body/BODY/ActualVehSpeed",
    "engine_speed": "E1/ENGINE/EngRPM M1/MOT/N_MOT E2/E2/engine_rpm E3/E3/RegimeMoteur "
    "E4/E4/EngineRevs E5/E5/CrankRpm P/P/EngSpd_rpm P/P/motor_rpm E6/E6/toerental_motor "
    "E7/E7/rotacao_motor E8/ENGINE/Engine_N A1/ICE/iceSpeed",
    "supply_voltage": "S1/EPS/EPS_Vbatt S1/EPS/BattVoltEps S1/EPS/ModuleVoltage "
    "PS/STEER/SupplyVltg S1/EPS/Ubat S1/EPS/KL30_Voltage S1/EPS/InputVoltage "
    "SC/SteeringControl/VSupply steer/steer/ecu_voltage S1/EPS/PwrSupplyVolt S1/EPS/DCBusVoltage "
    "S1/EPS/SteeringEcuSupply",
    "system_voltage": "B1/BODY/BatVolt P/PDM/SysVoltage B2/BODY/Bordnetzspannung B3/B3/U_BATT "
    "B4/B4/Batt_U B5/BODY/VBAT B6/BODY/Battery_Volts E/E/SystemVoltage body/body/batt_v "
    "B7/BODY/TensaoBateria",
    "module_temperature": "S1/EPS/EPS_Temp S1/EPS/ECUTemperature S1/EPS/TempPCB "
    "S1/EPS/InverterTemp S1/EPS/HeatsinkTemp S1/EPS/BoardTemperature L/LENKUNG/T_SG "
    "S1/EPS/tPowerStage S1/EPS/FetTemp",
    "coolant_temperature": "E1/ENGINE/ECT E1/ENGINE/EngineCoolantTmp M/MOT/T_MOT "
    "E1/ENGINE/WaterTemp E1/ENGINE/EngTemp E1/ENGINE/CoolTemp E1/ENGINE/TEMP_REFRIGERANTE",
    "ambient_temperature": "B/BODY/AmbTemp C/CLUSTER/OutdoorTemp H/H/OutsdAirTemp B/BODY/ExtTemp "
    "K/K/T_Umgebung B/BODY/AmbientAirTmp",
    "assist_limit": "S1/EPS/AssistLvl S1/EPS/EPS_DeratePct S1/EPS/AssistFactor S1/EPS/PwrLimit "
    "S1/EPS/AvailAssist S1/EPS/EPS_TorqueLimit S1/EPS/AssistAvailability S1/EPS/ThermalDerating "
    "S1/EPS/AssistPercent S1/EPS/PowerAvailable S1/EPS/SteeringAssistCapability",
    "assist_torque": "S1/EPS/AssistTq S1/EPS/EPS_AssistTrq S1/EPS/MotorTorque S1/EPS/OutputTorque "
    "S1/EPS/SupportTorque S1/EPS/BoostTorque S1/EPS/ServoMoment S1/EPS/AsstTrqAct",
    "driver_torque": "S1/EPS/DrvTrq S1/EPS/HandTorque S1/EPS/TBarTorque S1/EPS/TorqueSensor "
    "S1/EPS/SteerWhlTq S1/EPS/StgWhlTrq S1/EPS/ColTq S1/EPS/RiderTorque S1/EPS/Handmoment "
    "S1/EPS/MHand S1/EPS/StrWhlTrqDrv S1/EPS/UserTorque S1/EPS/TrqSns",
    "motor_current": "S1/EPS/MotCurr S1/EPS/EPSMotorCurr S1/EPS/IqAct S1/EPS/MotorAmps "
    "S1/EPS/I_Motor S1/EPS/MtrCur S1/EPS/AssistMotorCurrent",
    "module_current": "S1/EPS/BatCurr S1/EPS/SupplyCurr S1/EPS/InputCurrent S1/EPS/EPS_BattCurrent "
    "S1/EPS/IBat S1/EPS/ECU_Current",
    "system_current": "B1/B1/BattCurr B1/B1/I_Batt B2/BODY/BatteryCurrent",
    "steering_angle": "A/A/SteeringWheelAng L/L/Lenkradwinkel S1/EPS/SteerAng S1/EPS/StrgAngle "
    "S1/EPS/AngleHandlebar S1/EPS/StgAngl S1/EPS/SteerPos S1/EPS/StWhlAng",
    "module_status": "S1/EPS/EPS_Stat S1/EPS/SystemState S1/EPS/OpState S1/EPS/EPS_SysSts "
    "S1/EPS/ModuleState",
    "assist_mode": "S1/EPS/AssistModeSel S1/EPS/SteerMode C/CLUSTER/EpsAssistMode "
    "S1/EPS/PowerSteeringMode",
    "wheel_speed_fl": "W/BRAKE/WhlSpdFrntLft W/BRAKE/FL_WhlSpd W/BRAKE/WheelSpd_LF "
    "W/BRAKE/FrontLeftWheelSpeed W/BRAKE/vWheelFL W/BRAKE/VL_Radgeschw W/BRAKE/WS_FL",
    "wheel_speed_rr": "W/BRAKE/RightRearWhlSpd W/BRAKE/WHEELSPEEDRR W/BRAKE/WheelRearRightSpd",
}

# unit: message/sender/signal that serves no channel, all made up
STRAYS = {
    "km/h": "C/CRUISE/SetSpeed C/CRUISE/TargetSpd N/NAV/SpeedLimit D/DASH/MaxSpeed "
    "R/RADAR/ObjSpeed T/DASH/AvgSpeed W/X/WindSpeed L/ENGINE/VehSpdLim C/CRUISE/vSollTempomat "
    "C/CAM/SignSpeed L/ENGINE/VehSpdMaxAllowed P/PARK/ParkSpeed T/T/TyreSpeed "
    "S1/EPS/SpeedThreshold",
    "rpm": "G/GEARBOX/TurbineSpeed F/X/FanSpeed E/ENGINE/IdleSpeedTarget E/ENGINE/EngSpdDes "
    "G/GEARBOX/InputShaftSpeed G/GEARBOX/OutputSpd A/A/AlternatorSpeed E/ENGINE/EngSpdMax "
    "P/P/PtoSpeed E/ENGINE/TurboSpeed O/X/PumpRpm",
    "V": "E/ENGINE/ThrottleVolt S1/EPS/TorqueSensorVoltage S1/EPS/MotorVoltage H/H/CellVoltageMax "
    "T/T/TrailerVolt L/BODY/LampVoltage S1/EPS/VoltageMin S1/EPS/UndervoltageThreshold "
    "S1/EPS/GateVoltage S1/EPS/VoltageLimit S/S/SolarPanelVoltage U/B/UsbVoltage "
    "P/ENGINE/AccelPedalVolt",
    "degC": "E/ENGINE/OilTemp E/ENGINE/IntakeAirTemp G/GEARBOX/TransTemp S1/EPS/TempLimit "
    "B/B/BattTemp H/H/CabinTempSet E/ENGINE/ExhaustGasTemp B/BRAKE/BrakeDiscTemp T/T/TyreTemp "
    "S1/EPS/MaxTempEver I/I/InverterTemp S1/EPS/TempThresholdDerate F/ENGINE/FuelTemp",
    "%": "E/ENGINE/ThrottlePos E/ENGINE/EngLoad B/B/SOC S1/EPS/AssistRequest "
    "L/LANE/LaneAssistLevel P/PARK/ParkAssistProgress B/BRAKE/BrakeAssistLevel H/H/HillAssist "
    "F/F/FuelLevel S1/EPS/CpuLoad E/ENGINE/TorqueLimit E/ENGINE/PowerLimit",
    "Nm": "E/ENGINE/EngTorque E/ENGINE/DriverDemandTorque E/ENGINE/EngTrqMax B/BRAKE/BrakeTorque "
    "L/LANE/SteerTorqueReq C/CRUISE/WheelTorqueReq G/GEARBOX/ClutchTorque S1/EPS/MaxAssistTorque "
    "S1/EPS/AssistTorqueLimit S1/EPS/TorqueOffset S1/EPS/TorqueRequest S1/EPS/LaneTorque "
    "S1/EPS/DampingTorque S1/EPS/FrictionTorque A/A/RearAxleTorque",
    "A": "S1/EPS/CurrentLimit S1/EPS/MotorCurrentReq G/ENGINE/AltCurrent I/ENGINE/InjectorCurrent "
    "S1/EPS/CurrentError T/T/TrailerCurrent S1/EPS/MaxPhaseCurrent W/BODY/WindowMotorCurrent "
    "F/X/FanMotorCurrent B/BRAKE/PumpMotorCurrent",
    "deg": "S1/EPS/AngleTarget A/A/AngleOffset L/LANE/SteerAngleReq S1/EPS/MotorAngle "
    "E/ENGINE/IgnAngle E/ENGINE/ThrottleAngle T/T/TrailerAngle S/S/SlipAngle S1/EPS/RotorPos "
    "N/N/Heading R/R/RearSteerAngle P/PARK/SteeringAngleCmd",
}

BY_UNIT = {
    "km/h": "vehicle_speed",
    "rpm": "engine_speed",
    "V": "supply_voltage",
    "degC": "module_temperature",
    "%": "assist_limit",
    "Nm": "assist_torque",
    "A": "motor_current",
    "deg": "steering_angle",
}

LEAST_TO_BE_TAKEN = 0.35
"""A signal below this is not taken even if its values speak for it."""


def scores(place: str, field: Field) -> dict[str, float]:
    """Return the score of one signal for each channel that it may serve."""
    message, sender, name = place.split("/")
    signal = SignalLayout(
        message=message,
        name=name,
        start=0,
        length=field.bits,
        signed=field.signed,
        scale=field.scale,
        offset=field.offset,
        unit=field.unit,
    )
    layout = MessageLayout(name=message, key=1, length=8, signals=(signal,), sender=sender)
    ranked = rank_static(Databases(messages=(layout,)))
    return {channel: ones[0].score for channel, ones in ranked.items() if ones}


@pytest.mark.parametrize(
    ("channel", "place"),
    [(channel, place) for channel, places in SERVES.items() for place in places.split()],
)
def test_a_signal_ranks_first_for_its_own_channel(channel: str, place: str) -> None:
    found = scores(place, LAYOUT[channel])
    assert found.get(channel, 0.0) == max(found.values(), default=1.0), found
    assert found[channel] > LEAST_TO_BE_TAKEN


@pytest.mark.parametrize(
    ("unit", "place"),
    [(unit, place) for unit, places in STRAYS.items() for place in places.split()],
)
def test_a_stray_signal_stays_too_low_to_be_taken(unit: str, place: str) -> None:
    found = scores(place, LAYOUT[BY_UNIT[unit]])
    assert max(found.values(), default=0.0) < LEAST_TO_BE_TAKEN, found


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("VehSpd", ("veh", "spd")),
        ("v_Fzg", ("v", "fzg")),
        ("UBatt", ("u", "batt")),
        ("nMot", ("n", "mot")),
        ("TempECU", ("temp", "ecu")),
        ("ENGINE_RPM2", ("engine", "rpm")),
        ("Fahrzeuggeschwindigkeit", ("fahrzeug", "geschwindigkeit")),
        ("Versorgungsspannung", ("versorgung", "spannung")),
        ("vehiclespeed", ("vehicle", "speed")),
        ("couple_volant", ("couple", "volant")),
        ("Unterstützungsgrad", ("unterstutzung", "grad")),
        ("Reserve", ("reserve",)),
    ],
)
def test_names_come_apart_at_their_seams(name: str, words: tuple[str, ...]) -> None:
    assert split_name(name) == words


def test_direction_is_steering_only_in_french_company() -> None:
    assert "steering" in name_means("angle_direction_volant")[0]
    assert "steering" not in name_means("TravelDirection")[0]


@pytest.mark.parametrize(
    ("comment", "side"),
    [
        ("Torque at the torsion bar; left positive", "left"),
        ("positive = left turn", "left"),
        ("counter-clockwise positive", "left"),
        ("CCW +", "left"),
        ("Lenkwinkel, positiv nach rechts", "right"),
        ("positive values: turn to the right, negative to the left", "right"),
        ("clockwise is positive", "right"),
        ("couple volant, positif à gauche", "left"),
        ("negative when turned left", "right"),
        ("left and right torque", ""),
        ("Right positive. Left positive.", ""),
        ("", ""),
    ],
)
def test_the_positive_side_is_only_what_the_comment_says(comment: str, side: str) -> None:
    assert positive_side(comment) == side


@pytest.mark.parametrize(
    ("unit", "comment", "name", "channel", "scale", "known"),
    [
        ("mph", "", "Speed", "vehicle_speed", 1.609344, True),
        ("m/s", "", "Speed", "vehicle_speed", 3.6, True),
        ("mV", "", "Volt", "supply_voltage", 0.001, True),
        ("A/10", "", "Amp", "motor_current", 0.1, True),
        ("rad", "", "Angle", "steering_angle", 57.29577951308232, True),
        ("mNm", "", "Torque", "driver_torque", 0.001, True),
        ("deg", "", "OilTemp", "coolant_temperature", 1.0, True),
        ("", "speed in mph", "Speed", "vehicle_speed", 1.609344, True),
        ("", "", "Speed_mph", "vehicle_speed", 1.609344, True),
        ("", "", "Speed", "vehicle_speed", 1.0, False),
        ("km/h or MPH", "", "Speed", "vehicle_speed", 1.0, False),
    ],
)
def test_units_are_understood_wherever_they_stand(
    unit: str, comment: str, name: str, channel: str, scale: float, *, known: bool
) -> None:
    signal = SignalLayout(message="M", name=name, start=0, length=16, unit=unit, comment=comment)
    found = find_unit(signal, channel, named=True)
    assert found is not None
    assert found.conversion.scale == pytest.approx(scale)
    assert found.known is known


@pytest.mark.parametrize("unit", ["bar", "m/s^2", "deg/s", "km/h", "l/h", "ms"])
def test_a_unit_of_another_quantity_rules_out(unit: str) -> None:
    signal = SignalLayout(message="M", name="Volt", start=0, length=16, unit=unit)
    assert find_unit(signal, "supply_voltage", named=True) is None
