"""The keyword options of methods that hand them on, as types."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Optional, TypedDict

import numpy as np
from numpy.typing import NDArray

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
