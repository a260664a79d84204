"""Every kind of failure is an exception that says what was wrong and that built-in classes catch."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

import coeval
from coeval import _errors, _native

BUILT_IN = {
    "InvalidArgument": ValueError,
    "NotFound": FileNotFoundError,
    "PermissionDenied": PermissionError,
    "Io": OSError,
    "UnknownFormat": ValueError,
    "Unsupported": ValueError,
    "Damaged": ValueError,
    "NoSound": ValueError,
    "OutputExists": FileExistsError,
    "Cancelled": RuntimeError,
    "Internal": RuntimeError,
}


def test_every_kind_of_the_core_is_here() -> None:
    assert set(_native.ERROR_KINDS) == set(BUILT_IN) == set(_errors.CLASSES)


@pytest.mark.parametrize("kind", _native.ERROR_KINDS)
def test_a_kind_has_its_own_class(kind: str) -> None:
    with pytest.raises(coeval.CoevalError) as caught:
        _native.raise_kind(kind)
    error = caught.value
    assert type(error) is _errors.CLASSES[kind] and type(error) is not coeval.CoevalError
    assert issubclass(type(error), coeval.CoevalError) and issubclass(type(error), BUILT_IN[kind])
    assert type(error).__name__ in coeval.__all__
    assert error.kind == kind
    assert (error.path, error.message, error.remedy) == ("some/file.wav", "a message", "a remedy")
    assert str(error) == "some/file.wav: a message; a remedy"
    if isinstance(error, OSError):
        assert error.filename == "some/file.wav"
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error) and str(again) == str(error) and again.kind == kind


def test_a_kind_of_a_newer_core_is_plain() -> None:
    error = _errors.make("Later", None, "what", None)
    assert type(error) is coeval.CoevalError and error.kind == "Later" and str(error) == "what"


def test_files_fail_as_files_do(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        coeval.read(tmp_path / "gone.wav")
    with pytest.raises(FileNotFoundError):
        coeval.align_shoot(tmp_path)
    text = tmp_path / "text.wav"
    text.write_text("no sound at all")
    with pytest.raises(coeval.UnknownFormatError) as caught:
        coeval.probe(text)
    assert caught.value.path == str(text)
    with pytest.raises(coeval.DamagedFileError):
        coeval.Alignment.from_json("{}")
    with pytest.raises(FileNotFoundError):
        coeval.Alignment.load(tmp_path / "alignment.json")
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.align_shoot([])
    with pytest.raises(TypeError):
        coeval.align_shoot([3])  # type: ignore[list-item]
    with pytest.raises(coeval.InvalidArgumentError):
        coeval.ClockMap(np.zeros((3, 3)))
