"""Put all recordings of one event on one clock.

Every device that records an event starts at its own moment and runs on its own clock. This package compares the
sound. It finds the offset, drift and jumps between recordings, and says how sure it is. If there is no common sound, it
says so instead of guessing.

Two recordings:

>>> import numpy as np, coeval
>>> rng = np.random.default_rng(7)
>>> world = rng.standard_normal(30 * 8000)
>>> camera = world + rng.standard_normal(world.size)
>>> recorder = world[40_000:] + rng.standard_normal(world.size - 40_000)
>>> result = coeval.align(camera, recorder, 8000)
>>> result.placed, f"{result.offset_s:.4f}"
(True, '5.0000')

A whole shoot: ``coeval.align_shoot("folder")``. Arrays of several recordings: `align_many`. Files: `align_files`, `read`,
`probe`. To use a result: `resample`, `conform`, `hear`, `tighten`, `render`, `Alignment.to_otio`. A single recording:
`markers`, `levels`, `speech`, `ltc`, `limit`.

Arrays are NumPy arrays of float16, float32 or float64 (full scale 1.0), int32, int16 or uint8; mono, or frames by
channels (``axis=1``: channels by frames). Times are in seconds, drifts in ppm. Every failure is a `CoevalError` and also
the built-in exception that you would expect (`ValueError`, `FileNotFoundError`, ...).
"""

from ._errors import (
    ArgumentTypeError,
    CancelledError,
    CoevalError,
    ConformError,
    DamagedFileError,
    FileMissingError,
    InternalError,
    InvalidArgumentError,
    MediaError,
    NoAccessError,
    NoSoundError,
    OutputExistsError,
    ReadWriteError,
    UnknownFormatError,
    UnsupportedFormatError,
)
from ._map import ClockMap, resample
from ._measure import (
    Advice,
    ChannelLevel,
    LevelReport,
    LtcFrame,
    MarkerMatch,
    MarkerPair,
    Stretch,
    levels,
    limit,
    ltc,
    markers,
    markers_to_pandas,
    match_markers,
)
from ._media import MediaInfo, ReadWarning, probe, read
from ._native import Marker, __version__
from ._pair import (
    Evidence,
    LagCurve,
    Measurement,
    PairAlignment,
    PairJump,
    PairStretch,
    RivalPlace,
    SoundPath,
    align,
    align_files,
)
from ._shoot import (
    Alignment,
    Anchor,
    AnchorCheck,
    Conformed,
    File,
    Jump,
    Loop,
    Recording,
    RecordingPair,
    ShootEvent,
    align_many,
    align_shoot,
    conform,
)
from ._sound import Track, track
from ._speech import SpeechCurve, SpeechSegment, shared_speech, speech
from ._tighten import Event, HeardBy, Plan, PlanEntry, Rendered, Voice, Voices, hear, render, tighten

__all__ = [
    "Advice",
    "Alignment",
    "Anchor",
    "AnchorCheck",
    "ArgumentTypeError",
    "CancelledError",
    "ChannelLevel",
    "ClockMap",
    "CoevalError",
    "ConformError",
    "Conformed",
    "DamagedFileError",
    "Event",
    "Evidence",
    "File",
    "FileMissingError",
    "HeardBy",
    "InternalError",
    "InvalidArgumentError",
    "Jump",
    "Loop",
    "LagCurve",
    "LevelReport",
    "LtcFrame",
    "Marker",
    "MarkerMatch",
    "MarkerPair",
    "Measurement",
    "MediaError",
    "MediaInfo",
    "NoAccessError",
    "NoSoundError",
    "OutputExistsError",
    "PairAlignment",
    "PairJump",
    "PairStretch",
    "Plan",
    "PlanEntry",
    "ReadWarning",
    "ReadWriteError",
    "Recording",
    "RecordingPair",
    "Rendered",
    "ShootEvent",
    "RivalPlace",
    "SoundPath",
    "SpeechCurve",
    "SpeechSegment",
    "Stretch",
    "Track",
    "UnknownFormatError",
    "UnsupportedFormatError",
    "Voice",
    "Voices",
    "__version__",
    "align",
    "align_files",
    "align_many",
    "align_shoot",
    "conform",
    "hear",
    "levels",
    "limit",
    "ltc",
    "markers",
    "markers_to_pandas",
    "match_markers",
    "probe",
    "read",
    "render",
    "resample",
    "shared_speech",
    "speech",
    "tighten",
    "track",
]
