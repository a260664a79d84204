"""The keyword options of methods that hand them on, as types."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Optional, TypedDict, Union

from numpy.typing import ArrayLike

from ._sound import Path, Progress


class ResampleOptions(TypedDict, total=False):
    """Options of `resample`."""

    start_s: float
    frames: Optional[int]
    fade_s: float
    axis: int
    progress: Progress


class ConformOptions(TypedDict, total=False):
    """Options of `conform`."""

    root: Optional[Path]
    rate_hz: int
    frame_rate: Optional[tuple[int, int]]
    timeline_start_s: float
    camera_level_db: Optional[float]
    tracks: Sequence[Union[int, str]]
    own_sound: bool
    sample_format: str
    replace: bool
    allow_ffmpeg: bool
    errors: str
    threads: Optional[int]
    progress: Progress
    format: Optional[str]


class HearOptions(TypedDict, total=False):
    """Options of `hear`."""

    root: Optional[Path]
    allow_ffmpeg: bool
    progress: Progress


class TightenOptions(TypedDict, total=False):
    """Options of `tighten`."""

    events: Iterable[tuple[float, float, str]]
    keep_events: bool
    motion: Optional[Mapping[str, tuple[ArrayLike, ArrayLike]]]
    protect_s: Iterable[tuple[float, float]]
    see: Iterable[tuple[float, float, str]]
    pause_s: Optional[float]
    handle_s: Optional[float]
    dead_s: Optional[float]
    target_s: Optional[float]
    pass_from_s: Optional[float]
    pass_speed: Optional[int]
    keep_radio: bool
    min_shot_s: Optional[float]
    dissolve_s: Optional[float]


class RenderOptions(TypedDict, total=False):
    """Options of `render`."""

    voice_only: bool
    voice_over: Iterable[tuple[Path, float]]
    loudness_lufs: Optional[float]
    true_peak_dbtp: Optional[float]
    camera_db: Optional[float]
    duck_db: Optional[float]
    replace: bool
    root: Optional[Path]
    allow_ffmpeg: bool
    progress: Progress
