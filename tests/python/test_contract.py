"""alignment.json against the JSON Schema that the project ships."""
import copy
import json

import jsonschema
import numpy as np
import pytest
from conftest import ROOT, coeval
from scipy.io import wavfile

SCHEMA = json.loads((ROOT / "crates/coeval-shoot/schema/alignment.schema.json").read_text())


@pytest.fixture(scope="module")
def validator():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    return jsonschema.Draft202012Validator(SCHEMA)


def test_the_demo_fits(demo, validator):
    validator.validate(demo[1])
    assert sum(f["status"] == "placed" for r in demo[1]["recordings"] for f in r["files"]) == 6


def test_unreadable_files_fit(tmp_path, validator):
    rng = np.random.default_rng(1)
    sound = (rng.standard_normal(16000 * 12) * 3000).astype(np.int16)
    wavfile.write(tmp_path / "one.wav", 16000, sound)
    wavfile.write(tmp_path / "two.wav", 16000, sound[16000:])
    (tmp_path / "notes.mp4").write_text("not a film")
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "x.wav").mkdir()
    result = json.loads(coeval("align", tmp_path, "--json", codes=(3,)))
    validator.validate(result)
    files = {f["path"]: f for r in result["recordings"] for f in r["files"]}
    assert [files[n]["status"] for n in ("notes.mp4", "empty.wav", "x.wav")] == ["unplaced"] * 3


@pytest.mark.parametrize("break_it", [
    lambda a: a.pop("pairs"),
    lambda a: a.update(schema="coeval.alignment/2"),
    lambda a: a["timeline"].pop("clock"),
    lambda a: a["recordings"][1]["files"][0].pop("drift_ppm"),
    lambda a: a["recordings"][1]["files"][0].update(knots=[]),
    lambda a: a["recordings"][1]["files"][0].update(status="perhaps"),
    lambda a: a["recordings"][1]["files"][0].update(reason="none"),
    lambda a: a["recordings"][1]["files"][0].update(confidence=1.5),
    lambda a: a["recordings"][1]["files"][0]["knots"].append([1.0]),
    lambda a: a["recordings"][0]["files"][0].update(reason=None),
    lambda a: a["recordings"][0].update(kind="phone"),
    lambda a: a["pairs"][0].pop("evidence"),
])
def test_the_schema_refuses_what_breaks_the_contract(demo, validator, break_it):
    broken = copy.deepcopy(demo[1])
    break_it(broken)
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(broken)


@pytest.mark.parametrize("fits, breaks", [
    ({"better_sound_of": "clip.mp4"}, {"better_sound_of": 1}),
    ({"placed_by": "times"}, {"placed_by": "a guess"}),
    ({"capture_rate": [100, 1]}, {"capture_rate": [100]}),
])
def test_what_was_added_is_checked(demo, validator, fits, breaks):
    """Optional keys of a file, and of its picture."""
    def changed(what):
        alignment = copy.deepcopy(demo[1])
        file = next(f for r in alignment["recordings"] for f in r["files"] if "picture" in f)
        (file["picture"] if "capture_rate" in what else file).update(what)
        return alignment

    validator.validate(changed(fits))
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(changed(breaks))


@pytest.mark.parametrize("breaks", [[], [{"shift_s": 1.5}], [{"shift_s": 1.5, "probability": 2}], [{"shift_s": 1.5, "probability": 0.1}] * 4])
def test_other_places_of_a_pair_are_checked(demo, validator, breaks):
    def changed(rivals):
        alignment = copy.deepcopy(demo[1])
        alignment["pairs"][0]["rivals"] = rivals
        return alignment

    validator.validate(changed([{"shift_s": -12.5, "probability": 0.03}]))
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(changed(breaks))


@pytest.mark.parametrize("breaks", [{"timeline_s": "noon"}, {"uncertainty_s": 0}, {"clock": "mine"}, {"event": 0}])
def test_photos_are_checked(demo, validator, breaks):
    photo = {"path": "a.jpg", "taken": "2026-05-12T10:42:47+02:00", "timeline_s": 3.5, "uncertainty_s": 1.0, "clock": "device",
             "reason": None}
    validator.validate({**demo[1], "photos": [photo, {**photo, "timeline_s": None, "uncertainty_s": None, "reason": "why"}]})
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**demo[1], "photos": [{**photo, **breaks}]})


def test_the_contract_may_grow(demo, validator):
    grown = copy.deepcopy(demo[1])
    grown["later"] = grown["recordings"][0]["later"] = 1
    validator.validate(grown)
