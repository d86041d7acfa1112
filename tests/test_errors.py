"""Errors keep their two sentences, also through a worker process."""

from __future__ import annotations

import pickle

import pytest

from canassist import errors

CLASSES = [
    item
    for item in vars(errors).values()
    if isinstance(item, type) and issubclass(item, errors.CanassistError)
]


@pytest.mark.parametrize("kind", CLASSES)
def test_an_error_survives_pickling(kind: type[errors.CanassistError]) -> None:
    back = pickle.loads(pickle.dumps(kind("a.log: no frame.", "Choose the log.")))  # noqa: S301 - our own bytes
    assert type(back) is kind
    assert (back.problem, back.fix) == ("a.log: no frame.", "Choose the log.")
    assert str(back) == "a.log: no frame. Choose the log."


def test_exit_statuses_are_the_contract_s() -> None:
    assert errors.InputError.exit_status == 3
    assert errors.OutputError.exit_status == 2
    assert errors.UsageError.exit_status == 2
    assert errors.VerificationError.exit_status == 4
