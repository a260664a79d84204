"""When someone speaks in a shoot, and a rough cut that follows from it."""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, NamedTuple, Optional

import numpy as np
from numpy.typing import ArrayLike

from . import _native
from ._plot import shown_origin
from ._sound import Listener, Path, Progress, numbers

if TYPE_CHECKING:
    import pandas
    from matplotlib.axes import Axes

    from ._shoot import Alignment


class HeardBy(NamedTuple):
    """A camera, and how surely it hears a voice."""

    camera: str
    """Id of its recording."""
    shared: float
    """How surely, in standard deviations."""


@dataclass(frozen=True)
class Voice:
    """A stretch of the timeline in which someone speaks."""

    start_s: float
    """Where it begins, seconds."""
    end_s: float
    """Where it ends, seconds."""
    origin: str
    """``"intercom"`` (any local voice), ``"radio"``, or ``"unknown"`` where nothing tells one from the other."""
    confidence: float
    """Mean probability of speech, 0 to 1."""
    heard_by: tuple[HeardBy, ...]
    """How surely each camera that ran hears it."""
    radio: Optional[float] = None
    """Probability that it comes over the radio, 0 to 1. None where it was not asked: a camera heard it by itself."""


class Voices:
    """When someone speaks in a shoot, from the recorder's sound.

    Made by `hear` or `Voices.from_json`. It cannot be changed.

    Attributes
    ----------
    recorder : str
        Id of the recording that was heard.
    voices : tuple of Voice
        In time order.
    """

    __slots__ = ("_json", "recorder", "voices")
    _json: str
    recorder: str
    voices: tuple[Voice, ...]

    def __init__(self, text: str) -> None:
        data = json.loads(text)
        voices = (
            Voice(
                one["start_s"],
                one["end_s"],
                one["origin"],
                one["confidence"],
                tuple(HeardBy(*heard) for heard in one["heard_by"]),
                one.get("radio"),
            )
            for one in data["voices"]
        )
        object.__setattr__(self, "_json", text)
        object.__setattr__(self, "recorder", data["recorder"])
        object.__setattr__(self, "voices", tuple(voices))

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"Voices cannot be changed ({name})")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"Voices cannot be changed ({name})")

    @classmethod
    def from_json(cls, text: str, alignment: Alignment) -> Voices:
        """Make voices from the output of `to_json`, or from the text of ``speech.json``, which the command writes.

        Raises
        ------
        InvalidArgumentError
            When the text does not belong to this alignment. It is a `ValueError`.
        """
        _native.check_voices(text, alignment.to_json())
        return cls(text)

    def to_json(self) -> str:
        """As JSON text."""
        return self._json

    def to_dict(self) -> dict[str, Any]:
        """As plain Python values; a copy."""
        data: dict[str, Any] = json.loads(self._json)
        return data

    def to_pandas(self) -> pandas.DataFrame:
        """One row for each voice, as a pandas table (``pip install coeval[table]``)."""
        import pandas

        names = ("start_s", "end_s", "origin", "confidence")
        columns: dict[str, Any] = {name: [getattr(voice, name) for voice in self.voices] for name in names}
        columns["radio"] = [float("nan") if v.radio is None else v.radio for v in self.voices]
        columns["shared"] = [max((h.shared for h in v.heard_by), default=float("nan")) for v in self.voices]
        table: pandas.DataFrame = pandas.DataFrame(columns)
        return table

    def plot(self, ax: Optional[Axes] = None) -> Axes:
        """Draw the voices on the timeline, one row for each origin (``pip install coeval[plot]``)."""
        from ._plot import plot_voices

        return plot_voices(self, ax)

    def __len__(self) -> int:
        return len(self.voices)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Voices) and self.to_dict() == other.to_dict()

    def __hash__(self) -> int:
        return hash((self.recorder, self.voices))

    def __reduce__(self) -> tuple[Any, ...]:
        return Voices, (self._json,)

    def __repr__(self) -> str:
        radio = sum(voice.origin == "radio" for voice in self.voices)
        return f"Voices(recorder={self.recorder!r}, {len(self)} stretches of speech, {radio} of them radio)"

    def _repr_html_(self) -> str:
        head = "".join(f"<th>{name}</th>" for name in ("from", "to", "origin", "radio, %", "confidence"))
        rows = "".join(
            f"<tr><td>{v.start_s:.2f} s</td><td>{v.end_s:.2f} s</td><td>{html.escape(shown_origin(v.origin))}</td>"
            f"<td>{'' if v.radio is None else format(100 * v.radio, '.0f')}</td><td>{v.confidence:.3f}</td></tr>"
            for v in self.voices
        )
        return f"<p>{html.escape(repr(self))}</p><table><tr>{head}</tr>{rows}</table>"


class Event(NamedTuple):
    """Something to keep in a rough cut although nobody speaks."""

    start_s: float
    """Where it begins on the timeline, seconds."""
    end_s: float
    """Where it ends, seconds; the same for a moment."""
    what: str
    """What it is, in words."""


@dataclass(frozen=True)
class PlanEntry:
    """A stretch of the timeline, and whether it is shown, sped up or dropped."""

    from_frame: int
    """First timeline frame."""
    to_frame: int
    """The frame after the last."""
    fate: str
    """What becomes of it: ``"show"``, ``"pass"`` (shown faster, without its sound) or ``"drop"``."""
    speed: int
    """How many times faster it is shown; 1 for normal speed, 0 when it is dropped."""
    camera: Optional[str]
    """Which camera is shown; `None` if no camera ran, or nothing is shown."""
    shown_frames: int
    """Frames that it takes in the result."""
    dissolve_frames: int
    """Frames of the dissolve into it; 0: a cut."""
    reason: str
    """Why, in words."""


@dataclass(frozen=True)
class Plan:
    """A plan of a rough cut: stretches end to end, each shown, sped up or dropped, each with its reason. Made by `tighten`."""

    frame_rate: tuple[int, int]
    """Frame rate (fps), as a ratio."""
    entries: tuple[PlanEntry, ...]
    """From the first frame to the last, without gap or overlap."""
    shown_s: float
    """Length of the result, seconds."""
    notes: tuple[str, ...]
    """Notes for people, for example that the target length could not be met."""

    @property
    def kept(self) -> tuple[PlanEntry, ...]:
        """The stretches that are kept: shown or sped up."""
        return tuple(entry for entry in self.entries if entry.fate != "drop")

    def to_dict(self) -> dict[str, Any]:
        """All fields as plain Python values, ready for `json.dumps`."""
        return asdict(self)

    def to_json(self) -> str:
        """`to_dict` as JSON text."""
        return json.dumps(self.to_dict())

    def to_pandas(self) -> pandas.DataFrame:
        """One row for each stretch, as a pandas table (``pip install coeval[table]``)."""
        import pandas

        table: pandas.DataFrame = pandas.DataFrame([asdict(e) for e in self.entries], columns=[*PlanEntry.__dataclass_fields__])
        return table

    def plot(self, ax: Optional[Axes] = None) -> Axes:
        """Draw what is kept and what is dropped along the timeline (``pip install coeval[plot]``)."""
        from ._plot import plot_plan

        return plot_plan(self, ax)

    def __repr__(self) -> str:
        return f"Plan({len(self.kept)} of {len(self.entries)} stretches kept, shown_s={self.shown_s:.2f})"

    def _repr_html_(self) -> str:
        head = "".join(f"<th>{name}</th>" for name in ("frames", "fate", "camera", "why"))
        rows = "".join(
            f"<tr><td>{e.from_frame} to {e.to_frame}</td><td>{e.fate}</td><td>{html.escape(e.camera or '')}</td>"
            f"<td>{html.escape(e.reason)}</td></tr>"
            for e in self.entries
        )
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        return f"<p>{html.escape(repr(self))}</p>{notes}<table><tr>{head}</tr>{rows}</table>"


def hear(
    alignment: Alignment,
    *,
    root: Optional[Path] = None,
    allow_ffmpeg: bool = False,
    progress: Progress = None,
) -> Voices:
    """Find out when someone speaks in an aligned shoot.

    The recorder's sound is read once, and each camera's once. It takes about as long as aligning.

    Parameters
    ----------
    alignment : Alignment
        What was aligned.
    root : str or path-like, optional
        The folder that the recordings lie in, if the alignment does not know it.
    allow_ffmpeg, progress
        See `align_shoot`.

    Returns
    -------
    Voices

    Raises
    ------
    NoSoundError
        When no placed file has sound. It is a `ValueError`.
    FileMissingError, NoAccessError, MediaError
        When a file cannot be used.

    Notes
    -----
    To detect speech is to process what people said: those recorded must agree.

    Examples
    --------
    >>> import coeval
    >>> shoot = coeval.Alignment.load("results/alignment.json", root="the-shoot")
    >>> voices = coeval.hear(shoot)
    >>> voices.recorder, len(voices) > 5
    ('recorder', True)
    """
    with Listener(progress) as callback:
        return Voices(_native.hear(alignment.to_json(), alignment._root(root), allow_ffmpeg, callback))


def tighten(
    alignment: Alignment,
    voices: Voices,
    *,
    events: Iterable[tuple[float, float, str]] = (),
    keep_events: bool = True,
    motion: Optional[Mapping[str, tuple[ArrayLike, ArrayLike]]] = None,
    protect_s: Iterable[tuple[float, float]] = (),
    see: Iterable[tuple[float, float, str]] = (),
    pause_s: Optional[float] = None,
    handle_s: Optional[float] = None,
    dead_s: Optional[float] = None,
    target_s: Optional[float] = None,
    pass_from_s: Optional[float] = None,
    pass_speed: Optional[int] = None,
    keep_radio: bool = True,
    min_shot_s: Optional[float] = None,
    dissolve_s: Optional[float] = None,
) -> Plan:
    """Plan a rough cut: keep speech, drop dead air, and show the camera that hears the speaker best.

    Nothing is read or written, so it is quick to try other numbers.

    Parameters
    ----------
    alignment : Alignment
        What was aligned.
    voices : Voices
        What `hear` found in it.
    events : sequence of Event or (float, float, str)
        What else to keep: its start and end on the timeline, seconds, and what it is.
    keep_events : bool
        Keep claps, loud moments and revving engines.
    motion : mapping, optional
        How much the picture of a file moves, by the file's name: times in the file, seconds, ascending, and the motion
        at each, in any unit, 0 for no motion. Stretches with unusual motion are kept.
    protect_s : sequence of (float, float)
        Stretches that are always kept, seconds.
    see : sequence of (float, float, str)
        Which camera to show while someone speaks in a stretch: start and end, seconds, and the id of the camera's recording.
    pause_s : float, optional
        Pause left between two sentences where time is removed, seconds, 0.2 to 30; 0.8 if not given.
    handle_s : float, optional
        Minimum time between a cut and speech, seconds, 0.08 to 5; 0.2 if not given.
    dead_s : float, optional
        Minimum length of dead air (a part without speech, clap or other loud moment), seconds, 0.2 to 600; 2 if not
        given.
    target_s : float, optional
        Target length of the rough cut, seconds; all speech is kept if not given.
    pass_from_s : float, optional
        Dead air of at least this length is sped up instead of dropped, seconds.
    pass_speed : int, optional
        How many times faster dead air is sped up, 2 to 100; 8 if not given.
    keep_radio : bool
        Keep radio calls.
    min_shot_s : float, optional
        Minimum length of a shot, seconds, 0 to 60; 2.5 if not given. A shot may be shorter where the camera or the kept
        stretch ends.
    dissolve_s : float, optional
        Length of the dissolve that hides a jump cut within one camera, seconds, 0 to 5; 0.5 if not given.

    Returns
    -------
    Plan

    Raises
    ------
    InvalidArgumentError
        For options out of their ranges, unknown files or cameras, and voices of another alignment. It is a `ValueError`.

    Examples
    --------
    >>> import coeval
    >>> shoot = coeval.Alignment.load("results/alignment.json", root="the-shoot")
    >>> with open("results/speech.json", encoding="utf-8") as file:
    ...     voices = coeval.Voices.from_json(file.read(), shoot)
    >>> plan = coeval.tighten(shoot, voices, target_s=20.0)
    >>> plan.shown_s <= 20.0, plan.kept[0].fate, plan.kept[0].camera
    (True, 'show', 'camera')
    """
    given = numbers("tighten", locals())
    curves = [
        (name, np.asarray(times, dtype=np.float64).ravel().tolist(), np.asarray(moved, dtype=np.float32).ravel().tolist())
        for name, (times, moved) in (motion or {}).items()
    ]
    made = _native.tighten(
        alignment.to_json(),
        voices.to_json(),
        given,
        [(float(start), float(end), what) for start, end, what in events],
        keep_events,
        curves,
        [(float(start), float(end)) for start, end in protect_s],
        [(float(start), float(end), camera) for start, end, camera in see],
    )
    entries = tuple(PlanEntry(**entry) for entry in made["entries"])
    return Plan(made["frame_rate"], entries, made["shown_s"], tuple(made["notes"]))


@dataclass(frozen=True)
class Rendered:
    """Levels of a rough cut's sound; made by `render`."""

    gain_db: float
    """Gain before the limiter, dB."""
    loudness_lufs: Optional[float]
    """Integrated loudness, LUFS (ITU-R BS.1770); `None` for silence."""
    true_peak_dbtp: float
    """Highest true peak, dBTP."""
    duration_s: float
    """Length, seconds."""


def render(
    alignment: Alignment,
    voices: Voices,
    plan: Plan,
    path: Path,
    *,
    voice_only: bool = False,
    voice_over: Iterable[tuple[Path, float]] = (),
    loudness_lufs: Optional[float] = None,
    true_peak_dbtp: Optional[float] = None,
    camera_db: Optional[float] = None,
    duck_db: Optional[float] = None,
    replace: bool = False,
    root: Optional[Path] = None,
    allow_ffmpeg: bool = False,
    progress: Progress = None,
) -> Rendered:
    """Write the sound of a rough cut as a WAV file: stereo, 48 kHz, 24 bits.

    It is as long as the cut, and silent where the picture is sped up.

    Parameters
    ----------
    alignment : Alignment
        What was aligned.
    voices : Voices
        What `hear` found in it.
    plan : Plan
        What `tighten` made of it.
    path : str or path-like
        The file to write; it appears whole or not at all.
    voice_only : bool
        Write the recorder alone, without the sound of the camera shown and without voice-overs.
    voice_over : sequence of (str or path-like, float)
        Files of mono or stereo sound to add, each with its start in the cut, seconds. Other sound is lowered under
        them.
    loudness_lufs : float, optional
        Loudness of the result, LUFS, -40 to -5; -14 if not given.
    true_peak_dbtp : float, optional
        Maximum true peak of the result, dBTP, -20 to 0; -1 if not given.
    camera_db : float, optional
        Level of the sound of the camera shown, where nobody speaks, relative to the recording, dB, -120 to 24; -12 if
        not given.
    duck_db : float, optional
        How much that sound is lowered under a voice, dB, -120 to 0; -12 if not given.
    replace : bool
        Whether a file that is there already may be replaced.
    root : str or path-like, optional
        The folder that the recordings lie in, if the alignment does not know it.
    allow_ffmpeg, progress
        See `align_shoot`.

    Returns
    -------
    Rendered

    Raises
    ------
    InvalidArgumentError
        For options out of their ranges, an inconsistent plan, and voices of another alignment. It is a
        `ValueError`.
    OutputExistsError
        When the file is there and may not be replaced. It is a `FileExistsError`.

    Examples
    --------
    >>> import coeval
    >>> shoot = coeval.Alignment.load("results/alignment.json", root="the-shoot")
    >>> with open("results/speech.json", encoding="utf-8") as file:
    ...     voices = coeval.Voices.from_json(file.read(), shoot)
    >>> plan = coeval.tighten(shoot, voices, target_s=5.0)
    >>> made = coeval.render(shoot, voices, plan, "sound/mix.wav", replace=True)
    >>> made.duration_s == plan.shown_s, made.true_peak_dbtp <= -1.0
    (True, True)
    """
    given = numbers("render", locals())
    fates = {"show": 1, "drop": 0}
    stretches = [(e.from_frame, e.to_frame, fates.get(e.fate, e.speed), e.camera) for e in plan.entries]
    with Listener(progress) as callback:
        made = _native.render(
            alignment.to_json(),
            voices.to_json(),
            alignment._root(root),
            plan.frame_rate,
            stretches,
            path,
            voice_only,
            given,
            [(file, float(at_s)) for file, at_s in voice_over],
            replace,
            allow_ffmpeg,
            callback,
        )
    return Rendered(**made)
