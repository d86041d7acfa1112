"""The few trade terms of the page, each in a sentence."""

from __future__ import annotations

from typing import Final

GLOSSARY: Final = (
    ("Assist", "The torque that the steering module's motor adds to what the rider applies."),
    (
        "Assist available",
        "How much of full assist the module allows at that moment: 100 % is all of it.",
    ),
    (
        "Derating",
        "The module takes assist away on purpose, to protect itself from heat or to spare a "
        "low supply.",
    ),
    ("Supply", "The voltage that reaches the steering module, after battery, cables and grounds."),
    ("Supply path", "Cables, connectors and grounds between the battery and the module."),
    (
        "Driver torque",
        "What the module's own sensor reads as the rider's effort at the input shaft.",
    ),
    ("Assist map", "How much assist belongs to a driver torque at a road speed."),
    ("CAN bus", "The pair of wires on which the vehicle's units report their values."),
    ("DBC", "The file that says which bits of a message mean which value."),
    ("Error frame", "A message that a unit broke off because it was garbled on the bus."),
    (
        "Strong, moderate, weak",
        "How sure a conclusion is. Strong: several independent findings agree and none speaks "
        "against it. Moderate: it explains what was seen, something else might too. Weak: a hint.",
    ),
    ("Cannot tell", "The log lacks what it takes. That is an answer, not a failure."),
)
