"""The compiled half; what is public of it is in `coeval`."""

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Optional, Union, final

import numpy as np
from numpy.typing import NDArray

_Path = Union[str, os.PathLike[str]]
_Samples = Union[NDArray[np.float32], NDArray[np.float64], NDArray[np.int16], NDArray[np.int32], NDArray[np.uint8]]
_Progress = Optional[Callable[[str, float], Optional[bool]]]
_Numbers = Mapping[str, Optional[float]]
_Range = Optional[tuple[float, float]]

ERROR_KINDS: list[str]
OPTIONS: dict[str, list[str]]
SPEECH_RATE_HZ: float
SPEECH_STEP_S: float
__version__: str

@final
class Track:
    @property
    def duration_s(self) -> float: ...
    @property
    def is_silent(self) -> bool: ...
    def __len__(self) -> int: ...
    def samples(self) -> NDArray[np.float32]: ...
    def to_bytes(self) -> bytes: ...
    @staticmethod
    def from_bytes(bytes: bytes) -> Track: ...

@final
class TrackBuilder:
    def __new__(cls, rate_hz: float, channels: int) -> TrackBuilder: ...
    def push(self, samples: _Samples) -> None: ...
    def finish(self) -> Track: ...

@final
class ClockMap:
    def __new__(cls, knots: NDArray[np.float64]) -> ClockMap: ...
    @staticmethod
    def linear(offset_s: float, drift_ppm: float, duration_s: float) -> ClockMap: ...
    @property
    def knots(self) -> NDArray[np.float64]: ...
    @property
    def offset_s(self) -> float: ...
    @property
    def drift_ppm(self) -> float: ...
    @property
    def jumps(self) -> list[tuple[float, float]]: ...
    def to_timeline(self, file_s: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def to_file(self, timeline_s: NDArray[np.float64]) -> NDArray[np.float64]: ...

@final
class Marker:
    """A short sharp sound: a clap, a slate, a knock.

    Attributes
    ----------
    time_s : float
        Its onset, seconds after the first sample.
    uncertainty_s : float
        One standard deviation of `time_s`.
    sharpness_db, snr_db : float
        How suddenly it starts, and how far it is above the noise, dB.
    peak_dbfs : float
        Largest sample, dB relative to full scale.
    score : float
        Log odds that it is a clap or a knock.
    shape : str
        ``"clap"``, ``"click"``, ``"burst"`` or ``"thud"``.
    grouping : str
        ``"isolated"``, ``"series"`` or ``"periodic"``.
    count_in_interval_s : float or None
        Interval between the beats of a count-in before it, seconds; `None` without one.
    """

    @property
    def time_s(self) -> float: ...
    @property
    def uncertainty_s(self) -> float: ...
    @property
    def sharpness_db(self) -> float: ...
    @property
    def peak_dbfs(self) -> float: ...
    @property
    def snr_db(self) -> float: ...
    @property
    def score(self) -> float: ...
    @property
    def shape(self) -> str: ...
    @property
    def grouping(self) -> str: ...
    @property
    def count_in_interval_s(self) -> Optional[float]: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __hash__(self, /) -> int: ...
    def __reduce__(self) -> tuple[Callable[[bytes], Marker], tuple[bytes]]: ...

@final
class SpeechCurve:
    @staticmethod
    def from_values(probability: NDArray[np.float32]) -> SpeechCurve: ...
    def probability(self) -> NDArray[np.float32]: ...
    def segments(
        self,
        enter: Optional[float],
        leave: Optional[float],
        min_speech_s: Optional[float],
        min_pause_s: Optional[float],
        hang_over_s: Optional[float],
    ) -> list[tuple[float, float, float, Optional[float]]]: ...

def raise_kind(kind: str) -> None: ...
def marker_from_bytes(bytes: bytes) -> Marker: ...
def write_wav(
    path: _Path, samples: _Samples, rate_hz: int, sample_format: str, replace: bool
) -> int: ...
def align_tracks(
    tracks: Sequence[tuple[str, Track]],
    main: Optional[str],
    kinds: Sequence[tuple[str, str]],
    max_drift_ppm: float,
    threads: int,
    progress: _Progress,
) -> str: ...
def track(samples: _Samples, rate_hz: float, progress: _Progress) -> Track: ...
def align(
    a: Track,
    b: Track,
    max_drift_ppm: float,
    offset_range_s: _Range,
    threads: int,
    progress: _Progress,
) -> dict[str, Any]: ...
def lag_curve(
    a: Track,
    b: Track,
    map: ClockMap,
    reach_s: float,
    progress: _Progress,
) -> tuple[NDArray[np.float64], NDArray[np.float32], NDArray[np.float64]]: ...
def align_files(
    a: _Path,
    b: _Path,
    max_drift_ppm: float,
    offset_range_s: _Range,
    allow_ffmpeg: bool,
    threads: int,
    progress: _Progress,
) -> dict[str, Any]: ...
def align_shoot(
    paths: Sequence[_Path],
    numbers: _Numbers,
    main: Optional[str],
    exclude: Sequence[str],
    recordings: Sequence[tuple[str, str]],
    kinds: Sequence[tuple[str, str]],
    keep_apart: bool,
    anchor_file: Optional[_Path],
    anchors: Sequence[tuple[str, str, str, str, bool, Optional[float]]],
    distances_m: Sequence[tuple[str, float]],
    max_drift_ppm: float,
    allow_ffmpeg: bool,
    cache: Optional[_Path],
    threads: int,
    progress: _Progress,
) -> tuple[str, os.PathLike[str]]: ...
def check_alignment(json: str) -> None: ...
def event(json: str, number: int) -> str: ...
def schema() -> str: ...
def otio(json: str, name: str, root: _Path) -> str: ...
def conform(
    json: str,
    root: _Path,
    out: _Path,
    rate_hz: int,
    frame_rate: Optional[Sequence[int]],
    timeline_start_s: float,
    camera_level_db: Optional[float],
    tracks: Sequence[str],
    own_sound: bool,
    format: str,
    replace: bool,
    allow_ffmpeg: bool,
    threads: int,
    progress: _Progress,
) -> list[dict[str, Any]]: ...
def command(arguments: Sequence[_Path], bar: bool) -> int: ...
def probe(path: _Path, allow_ffmpeg: bool) -> dict[str, Any]: ...
def read(
    path: _Path,
    start_s: float,
    duration_s: Optional[float],
    allow_ffmpeg: bool,
    progress: _Progress,
) -> tuple[NDArray[np.float32], int, list[str]]: ...
def resample(
    samples: _Samples,
    rate_hz: float,
    map: ClockMap,
    under: Optional[ClockMap],
    target_rate_hz: float,
    start_s: float,
    frames: int,
    fade_s: float,
    progress: _Progress,
) -> NDArray[np.float32]: ...
def find_markers(
    samples: _Samples,
    rate_hz: float,
    numbers: _Numbers,
    progress: _Progress,
) -> list[Marker]: ...
def match_markers(
    a: Sequence[Marker],
    b: Sequence[Marker],
    max_drift_ppm: float,
    offset_range_s: _Range,
    durations_s: _Range,
    min_confidence: float,
) -> Optional[dict[str, Any]]: ...
def levels(samples: _Samples, rate_hz: int, progress: _Progress) -> dict[str, Any]: ...
def ltc(
    samples: _Samples, rate_hz: float, progress: _Progress
) -> list[tuple[float, float, str, tuple[int, int, int, int, int], bool, int]]: ...
def speech(samples: _Samples, rate_hz: float, progress: _Progress) -> SpeechCurve: ...
def speech_origin(
    start_s: float,
    end_s: float,
    outside_band_db: Optional[float],
    shared: Optional[float],
) -> str: ...
def shared_speech(
    stretches: Sequence[tuple[float, float]],
    recorder: _Samples,
    camera: _Samples,
    progress: _Progress,
) -> list[Optional[float]]: ...
def limit(samples: _Samples, rate_hz: float, limit_dbtp: float, progress: _Progress) -> NDArray[np.float32]: ...
def hear(json: str, root: _Path, allow_ffmpeg: bool, progress: _Progress) -> str: ...
def check_voices(speech: str, json: str) -> None: ...
def tighten(
    json: str,
    speech: str,
    numbers: _Numbers,
    events: Sequence[tuple[float, float, str]],
    keep_events: bool,
    motion: Sequence[tuple[str, Sequence[float], Sequence[float]]],
    protect_s: Sequence[tuple[float, float]],
    see: Sequence[tuple[float, float, str]],
) -> dict[str, Any]: ...
def render(
    json: str,
    speech: str,
    root: _Path,
    frame_rate: tuple[int, int],
    stretches: Sequence[tuple[int, int, int, Optional[str]]],
    path: _Path,
    voice_only: bool,
    numbers: _Numbers,
    voice_over: Sequence[tuple[_Path, float]],
    replace: bool,
    allow_ffmpeg: bool,
    progress: _Progress,
) -> dict[str, Any]: ...
