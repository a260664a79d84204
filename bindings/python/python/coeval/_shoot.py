"""All recordings of a shoot, each event on one clock."""

from __future__ import annotations

import html
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, Optional, Union

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _native
from ._errors import ConformError, DamagedFileError, InvalidArgumentError, from_os_error
from ._map import ClockMap
from ._pair import RivalPlace, SoundPath
from ._sound import Listener, Path, Progress, Track, _make, as_threads, check_numbers, numbers, renamed
from ._tighten import Plan, Rendered, Voices, hear, render, tighten

if TYPE_CHECKING:
    import pandas
    from matplotlib.axes import Axes
    from typing_extensions import Unpack

    from ._options import ConformOptions, HearOptions, RenderOptions, TightenOptions


class Jump(NamedTuple):
    """A sudden change of offset inside a file."""

    file_s: float
    """Where in the file, seconds."""
    lost_s: float
    """Sound that the file lost there, seconds; negative: that it repeated."""


@dataclass(frozen=True)
class Anchor:
    """A moment that you know to match: the same instant in two files. For `align_shoot`.

    A moment is a number of seconds from the file's start, or text: a clock time from the file's start (``"00:03:20.5"``), or
    a timecode (``"01:03:20:12"``), which is read by the file's own timecode. Without one, it counts from the file's start.
    """

    a: str
    """One file: its name, or a pattern that fits no other file."""
    a_at: Union[float, str]
    """The moment in it."""
    b: str
    """The other file."""
    b_at: Union[float, str]
    """The same moment in it."""
    hard: bool = False
    """Whether it is used even if the sound contradicts it."""
    uncertainty_s: Optional[float] = None
    """One standard deviation of the reading, seconds; 0.1 or one frame if not given."""


class AnchorCheck(NamedTuple):
    """An anchor, checked against the sound."""

    a: str
    """One file."""
    a_s: float
    """The moment in it, seconds."""
    b: str
    """The other file."""
    b_s: float
    """The same moment in it, seconds."""
    hard: bool
    """Whether it is used even if the sound contradicts it."""
    uncertainty_s: float
    """One standard deviation of the reading, seconds."""
    used: bool
    """Whether the result uses it."""
    contradicted: bool
    """Whether the sound says otherwise, beyond three standard deviations."""
    disagreement_s: Optional[float]
    """Where the sound alone puts the moment of ``a`` minus where it puts that of ``b``, seconds; `None` where it
    cannot tell."""
    misfit_s: Optional[float]
    """The same difference in the result; `None` where one of the files is unplaced."""


class Loop(NamedTuple):
    """Three files whose three pairs were compared independently."""

    files: tuple[str, str, str]
    """Their names."""
    closure_s: float
    """Sum of the three offsets around the loop, seconds; 0 if the comparisons agree."""


class ShootEvent(NamedTuple):
    """An event: files that share sound with each other, and none with the rest."""

    event: int
    """Its number, from 1."""
    clock: str
    """Id of the recording whose clock its timeline uses."""
    duration_s: float
    """Where its last placed file ends on its timeline, seconds."""
    recordings: tuple[str, ...]
    """Ids of the recordings that have files in it."""


@dataclass(frozen=True, eq=False)
class File:
    """One file and its place on the timeline.

    If it is unplaced, numbers are `None`, `knots` is empty, and `reason` says why.
    """

    path: str
    """Relative to the folder that was given."""
    recording: str
    """Id of its recording."""
    placed: bool
    """Whether it has a map."""
    reason: Optional[str]
    """Why it is unplaced."""
    duration_s: Optional[float]
    """Length on presentation time, seconds; `None` when it cannot be read."""
    confidence: Optional[float]
    """Probability that the placement is right."""
    uncertainty_s: Optional[float]
    """One standard deviation of the placement's error, seconds."""
    offset_s: Optional[float]
    """Timeline time minus file time at the file's start, seconds."""
    drift_ppm: Optional[float]
    """(timeline seconds per file second - 1) * 1e6, without jumps."""
    knots: NDArray[np.float64] = field(repr=False)
    """The map, shape (n, 2): file time, timeline time."""
    jumps: tuple[Jump, ...]
    """Jumps, in time order."""
    event: Optional[int]
    """Number of the event whose timeline it is placed on, from 1; `None` when unplaced."""
    placed_by: Optional[str]
    """What placed it, if its own sound did not: ``"neighbours"`` (the chapters before and after it), ``"timecode"`` (the
    timecode in its sound), or ``"times"`` (the time in its file, by the clock of its device). Otherwise `None`."""
    details: Mapping[str, Any] = field(repr=False)
    """Everything in ``alignment.json`` about the file, also picture, sound, `ltc` (timecode in its sound) and warnings."""

    def __eq__(self, other: object) -> bool:
        return isinstance(other, File) and (self.recording, self.details) == (other.recording, other.details)

    def __hash__(self) -> int:
        return hash((self.recording, self.path, self.offset_s))

    def __reduce__(self) -> tuple[Any, ...]:
        return _file, (self.recording, self.details)

    @property
    def clock_map(self) -> ClockMap:
        """The map from file time to timeline time. An unplaced file raises `InvalidArgumentError`."""
        if not self.placed:
            raise InvalidArgumentError(f"{self.path} is unplaced: {self.reason}")
        return ClockMap(self.knots)


@dataclass(frozen=True)
class Recording:
    """One take of one device: one file, or several chapters."""

    id: str
    """Short name, unique in the shoot."""
    kind: str
    """``"camera"``, ``"recorder"`` or ``"other"``."""
    files: tuple[File, ...]
    """Its chapters, in order."""
    event: Optional[int] = None
    """Number of the event that all its placed files belong to, from 1; `None` if no file is placed, or if they belong to
    several events."""


@dataclass(frozen=True)
class RecordingPair:
    """What two recordings share."""

    a: str
    """Id of one recording."""
    b: str
    """Id of the other."""
    overlap_s: float
    """Seconds during which both ran."""
    confidence: float
    """Probability that their offset to each other is right."""
    residual_rms_s: float
    """Root mean square difference between the measurements and the result, seconds."""
    evidence: int
    """Number of measurements."""
    paths: tuple[SoundPath, ...] = ()
    """Sources of common sound with different delays, if several were told apart; the one that the result follows first."""
    rivals: tuple[RivalPlace, ...] = ()
    """Other places that are not ruled out, the most probable first; by the sound of two of their files alone."""


@dataclass(frozen=True)
class Conformed:
    """A conformed sound that was written, or the reason why it was not; made by `conform`."""

    name: str
    """Its file name."""
    path: Optional[str]
    """Where it is; `None` when it could not be made."""
    problem: Optional[str]
    """Why it could not be made."""
    under_clip: Optional[str]
    """The camera file that it lies under; `None` when it lies on the timeline."""
    recording: str
    """Id of the recorder's recording."""
    sources: tuple[str, ...]
    """The recorder's files whose sound it contains."""
    start_s: float
    """Where its first sample lies on the timeline, seconds."""
    rate_hz: int
    """Sampling rate, Hz."""
    channels: int
    """Number of channels."""
    frames: int
    """Length, samples of each channel."""
    time_reference: int
    """Time of the first sample, counted in samples from midnight."""
    clipped: int
    """Samples that were beyond full scale."""


def _recording_pair(details: Mapping[str, Any]) -> RecordingPair:
    numbers = {name: details[name] for name in ("a", "b", "overlap_s", "confidence", "residual_rms_s", "evidence")}
    paths = (SoundPath(path["delay_s"], path["voices"]) for path in details.get("paths", []))
    rivals = (RivalPlace(rival["shift_s"], rival["probability"]) for rival in details.get("rivals", []))
    return RecordingPair(**numbers, paths=tuple(paths), rivals=tuple(rivals))


def _file(recording: str, details: Mapping[str, Any]) -> File:
    knots = np.array(details["knots"], dtype=np.float64).reshape(-1, 2)
    knots.flags.writeable = False
    numbers = ("duration_s", "confidence", "uncertainty_s", "offset_s", "drift_ppm")
    return File(
        path=details["path"],
        recording=recording,
        placed=details["status"] == "placed",
        reason=details["reason"],
        knots=knots,
        jumps=tuple(Jump(j["file_s"], j["lost_s"]) for j in details["jumps"]),
        event=details.get("event", 1) if details["status"] == "placed" else None,
        placed_by=details.get("placed_by"),
        details=details,
        **{name: details[name] for name in numbers},
    )


def _recording(details: Mapping[str, Any]) -> Recording:
    files = tuple(_file(details["id"], file) for file in details["files"])
    events = {file.event for file in files if file.placed}
    return Recording(details["id"], details["kind"], files, events.pop() if len(events) == 1 else None)


class Alignment:
    """The result for a whole shoot: every file with its place, or the reason why it is unplaced.

    Made by `align_shoot`, `align_many`, `Alignment.from_json` or `Alignment.load`. It cannot be changed. Its JSON form is the
    file ``alignment.json`` that the command writes (format ``coeval.alignment/1``).

    A folder may hold several events. Each has its own timeline, so do not compare times of different events. `event` returns
    one of them. `conform`, `hear`, `to_otio` and others use the first event.

    Attributes
    ----------
    clock : str
        Id of the recording whose clock the timeline uses. With several events: that of the first.
    duration_s : float
        End of the last placed file on the timeline, seconds. With several events: on the timeline of the first.
    recordings : tuple of Recording
        All recordings.
    pairs : tuple of RecordingPair
        Pairs of recordings that share sound.
    anchors : tuple of AnchorCheck
        The given anchors, checked against the sound.
    loops : tuple of Loop
        Groups of three files whose pairs were all compared: the 50 with the largest `closure_s`, the largest first.
    events : tuple of ShootEvent
        The events, if there are two or more; else empty.
    root : str or None
        The folder that the files' paths are relative to, if it is known.

    Examples
    --------
    >>> import coeval
    >>> shoot = coeval.Alignment.load("results/alignment.json", root="the-shoot")
    >>> len(shoot.placed), len(shoot.unplaced), shoot.clock
    (2, 0, 'recorder')
    >>> f"{shoot['camera.mp4'].clock_map.to_timeline(10.0):.2f} s"
    '12.66 s'
    """

    __slots__ = ("_json", "clock", "duration_s", "recordings", "pairs", "anchors", "loops", "events", "root")
    clock: str
    duration_s: float
    recordings: tuple[Recording, ...]
    pairs: tuple[RecordingPair, ...]
    anchors: tuple[AnchorCheck, ...]
    loops: tuple[Loop, ...]
    events: tuple[ShootEvent, ...]
    root: Optional[str]
    _json: str

    def __init__(self, text: str, root: Optional[Path] = None) -> None:
        _native.check_alignment(text)
        data = json.loads(text)
        set_ = object.__setattr__
        set_(self, "_json", text)
        set_(self, "clock", data["timeline"]["clock"])
        set_(self, "duration_s", data["timeline"]["duration_s"])
        set_(self, "recordings", tuple(_recording(recording) for recording in data["recordings"]))
        set_(self, "pairs", tuple(_recording_pair(pair) for pair in data["pairs"]))
        fields = AnchorCheck._fields
        set_(self, "anchors", tuple(AnchorCheck(*(one[f] for f in fields)) for one in data.get("anchors", [])))
        threes = ((one["files"], one["closure_s"]) for one in data.get("loops", []))
        set_(self, "loops", tuple(Loop((a, b, c), closure_s) for (a, b, c), closure_s in threes))
        events = (
            ShootEvent(e["event"], e["clock"], e["duration_s"], tuple(e["recordings"])) for e in data.get("events", [])
        )
        set_(self, "events", tuple(events))
        set_(self, "root", None if root is None else os.fspath(root))

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(f"an Alignment cannot be changed ({name})")

    def __delattr__(self, name: str) -> None:
        raise AttributeError(f"an Alignment cannot be changed ({name})")

    @classmethod
    def from_json(cls, text: str, root: Optional[Path] = None) -> Alignment:
        """Make an alignment from the text of ``alignment.json``.

        Parameters
        ----------
        text : str
            JSON of the schema ``coeval.alignment/1``. Keys that are not known are kept in `to_dict`.
        root : str or path-like, optional
            The folder that its paths are relative to.

        Raises
        ------
        DamagedFileError
            When the text is not JSON, or not of this schema. It is a `ValueError`.
        """
        return cls(text, root)

    @classmethod
    def load(cls, path: Path, root: Optional[Path] = None) -> Alignment:
        """Read a file ``alignment.json``. Raises what `from_json` raises, and the errors of reading a file."""
        try:
            with open(path, encoding="utf-8") as file:
                text = file.read()
        except OSError as error:
            raise from_os_error(error) from error
        except UnicodeDecodeError:
            raise DamagedFileError("not an alignment: it is not UTF-8 text", os.fspath(path)) from None
        return cls(text, root)

    @property
    def files(self) -> tuple[File, ...]:
        """All files, recording by recording."""
        return tuple(file for recording in self.recordings for file in recording.files)

    @property
    def placed(self) -> tuple[File, ...]:
        """The files that are placed."""
        return tuple(file for file in self.files if file.placed)

    @property
    def unplaced(self) -> tuple[File, ...]:
        """The files that are unplaced."""
        return tuple(file for file in self.files if not file.placed)

    def __len__(self) -> int:
        """Number of files."""
        return len(self.files)

    def __bool__(self) -> bool:
        return True

    def __iter__(self) -> Iterator[File]:
        """The files, recording by recording."""
        return iter(self.files)

    def __contains__(self, file: object) -> bool:
        """Whether a file, or one of this path, is among them."""
        return any(file in (one, one.path) for one in self.files)

    def save(self, path: Path) -> None:
        """Write the result to a file, as JSON; `load` reads it again."""
        try:
            with open(path, "w", encoding="utf-8") as file:
                file.write(self._json)
        except OSError as error:
            raise from_os_error(error) from error

    def __getitem__(self, path: str) -> File:
        for file in self.files:
            if file.path == path:
                return file
        raise KeyError(path)

    def event(self, number: int) -> Alignment:
        """One event as a separate alignment, without the files of other events.

        Parameters
        ----------
        number : int
            Number of the event, from 1. Unplaced files are in the first.

        Raises
        ------
        InvalidArgumentError
            When there is no such event.
        """
        return Alignment(_native.event(self._json, number), self.root)

    def to_dict(self) -> dict[str, Any]:
        """The content of ``alignment.json`` as plain Python values; a copy."""
        data: dict[str, Any] = json.loads(self._json)
        return data

    def to_json(self) -> str:
        """The content of ``alignment.json`` as text."""
        return self._json

    def to_pandas(self) -> pandas.DataFrame:
        """One row for each file, as a pandas table (``pip install coeval[table]``)."""
        import pandas

        kinds = {recording.id: recording.kind for recording in self.recordings}
        columns: dict[str, Any] = {
            "recording": [f.recording for f in self.files],
            "kind": [kinds[f.recording] for f in self.files],
            "path": [f.path for f in self.files],
            "placed": [f.placed for f in self.files],
            "reason": pandas.array([f.reason for f in self.files], dtype="string"),
            "jumps": [len(f.jumps) for f in self.files],
        }
        for name in ("duration_s", "offset_s", "drift_ppm", "confidence", "uncertainty_s"):
            columns[name] = np.array([getattr(f, name) for f in self.files], dtype=np.float64)
        table: pandas.DataFrame = pandas.DataFrame(columns)
        return table

    def to_otio(self, name: Optional[str] = None, root: Optional[Path] = None) -> Any:
        """The timeline as an `opentimelineio.schema.Timeline` (``pip install coeval[otio]``).

        Parameters
        ----------
        name : str, optional
            Its name; that of the folder if not given.
        root : str or path-like, optional
            The folder that the files lie in, if the alignment does not know it.
        """
        import opentimelineio

        folder = self._root(root)
        text = _native.otio(self.to_json(), name or os.path.basename(os.path.abspath(folder)), folder)
        return opentimelineio.adapters.read_from_string(text, "otio_json")

    def conform(self, out: Path, **options: Unpack[ConformOptions]) -> tuple[Conformed, ...]:
        """Resample and cut the recorders' sound so that it fits the clips and the timeline; see `conform`."""
        return conform(self, out, **options)

    def hear(self, **options: Unpack[HearOptions]) -> Voices:
        """Find out when someone speaks; see `hear`."""
        return hear(self, **options)

    def tighten(self, voices: Voices, **options: Unpack[TightenOptions]) -> Plan:
        """Plan a rough cut; see `tighten`."""
        return tighten(self, voices, **options)

    def render(self, voices: Voices, plan: Plan, path: Path, **options: Unpack[RenderOptions]) -> Rendered:
        """Write the sound of a rough cut; see `render`."""
        return render(self, voices, plan, path, **options)

    def _root(self, root: Optional[Path]) -> str:
        folder = self.root if root is None else os.fspath(root)
        if folder is None:
            raise InvalidArgumentError("the alignment does not know where its files are", remedy="give root")
        return folder

    def plot(self, ax: Optional[Axes] = None) -> Axes:
        """Draw one row for each recording on the timeline (``pip install coeval[plot]``)."""
        from ._plot import plot_shoot

        return plot_shoot(self, ax)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Alignment) and self.to_dict() == other.to_dict()

    def __hash__(self) -> int:
        # Equal results may be written differently.
        return hash((self.clock, self.duration_s, tuple(file.path for file in self.files)))

    def __reduce__(self) -> tuple[Any, ...]:
        return Alignment, (self._json, self.root)

    def __repr__(self) -> str:
        count = f"{len(self.placed)} of {len(self.files)} files placed"
        return f"Alignment({count}, clock={self.clock!r}, duration_s={self.duration_s:.3f})"

    def _repr_html_(self) -> str:
        head = "".join(
            f"<th>{name}</th>" for name in ("recording", "file", "offset", "drift", "std. dev.", "confidence", "jumps")
        )
        rows = []
        for file in self.files:
            cells = [html.escape(file.recording), html.escape(file.path)]
            if file.placed:
                offset, drift = file.offset_s or 0.0, file.drift_ppm or 0.0
                sigma, sure = file.uncertainty_s or 0.0, file.confidence or 0.0
                cells += [f"{offset:.4f} s", f"{drift:+.2f} ppm", f"{sigma * 1e3:.2f} ms", f"{sure:.4f}"]
                cells += [str(len(file.jumps))]
                row = "".join(f"<td>{cell}</td>" for cell in cells)
            else:
                row = "".join(f"<td>{cell}</td>" for cell in cells)
                row += f"<td colspan='5'>unplaced: {html.escape(file.reason or '')}</td>"
            rows.append(f"<tr>{row}</tr>")
        return f"<p>{html.escape(repr(self))}</p><table><tr>{head}</tr>{''.join(rows)}</table>"


def _pairs(given: Union[None, Mapping[str, Any], Iterable[tuple[str, Any]]], name: str) -> list[tuple[str, str]]:
    if given is None:
        return []
    out: list[tuple[str, str]] = []
    for key, value in given.items() if isinstance(given, Mapping) else given:
        values = [value] if isinstance(value, str) else list(value)
        if not isinstance(key, str) or not all(isinstance(v, str) for v in values):
            raise InvalidArgumentError(f"{name}: {key!r}: {value!r} are not names")
        out.extend((key, v) for v in values)
    return out


def _anchors(
    given: Union[Path, Iterable[Anchor], None],
) -> tuple[Optional[Path], list[tuple[str, str, str, str, bool, Optional[float]]]]:
    if given is None:
        return None, []
    if isinstance(given, (str, bytes, os.PathLike)):
        return given, []
    listed = list(given)
    if not all(isinstance(anchor, Anchor) for anchor in listed):
        raise InvalidArgumentError("anchors are neither a path nor Anchor objects")
    # The native half reads moments as text, as a person writes them.
    at = [[moment if isinstance(moment, str) else repr(float(moment)) for moment in (x.a_at, x.b_at)] for x in listed]
    return None, [(x.a, m[0], x.b, m[1], x.hard, x.uncertainty_s) for x, m in zip(listed, at)]


def align_shoot(
    paths: Union[Path, Iterable[Path]],
    *,
    main: Optional[str] = None,
    exclude: Union[str, Sequence[str]] = (),
    recordings: Optional[Mapping[str, Union[str, Sequence[str]]]] = None,
    kinds: Optional[Mapping[str, str]] = None,
    keep_apart: bool = False,
    anchors: Union[Path, Iterable[Anchor], None] = None,
    trusted_times_s: Optional[float] = None,
    in_depth_h: float = 12.0,
    distances_m: Optional[Mapping[str, float]] = None,
    max_drift_ppm: float = 500.0,
    picture: bool = False,
    photos: bool = False,
    allow_ffmpeg: bool = False,
    cache: Optional[Path] = None,
    threads: Optional[int] = None,
    progress: Progress = None,
) -> Alignment:
    """Align all recordings of a shoot: a folder with the files from all cards.

    Parameters
    ----------
    paths : str or path-like, or several
        A folder with the files from all cards, or single files.
    main : str, optional
        The reference clock: the recording whose clock the timeline uses, by its id or the name of one of its files. If
        not given, that of the recording that covers most of the event.
    exclude : str or sequence of str
        Files that are left out: names below the folder, or bare file names; ``*`` stands for any characters.
    recordings : mapping, optional
        ``{id: file or files}``: these files are chapters of one recording; ``*`` stands for any characters.
    kinds : mapping, optional
        ``{id or file: "camera", "recorder" or "other"}``.
    keep_apart : bool
        Treat every file as a separate recording.
    anchors : sequence of Anchor, or str or path-like, optional
        Moments that you know to match, or a TOML or JSON file of them. They are checked against the sound; the
        disagreement is in ``Alignment.anchors``.
    trusted_times_s : float, optional
        How far the files' own times may be off, seconds, if you trust them. Two files are then compared only near where
        their timecodes put them, or their creation times if one has no timecode.
    in_depth_h : float
        Limit of the slow second search, hours of sound, 0 to 1000000; both files of a pair count. It is for files that
        the first look does not place. The most promising pairs come first.
    distances_m : mapping, optional
        ``{id or file: metres}``: distance from device to source. It compensates the acoustic delay, 2.9 ms per metre.
    max_drift_ppm : float
        Largest drift between two clocks to search for, ppm, 0 to 1200.
    picture : bool
        If sound does not place a camera, look in its picture for a clap that other devices heard. This needs an ``ffmpeg``
        on PATH.
    photos : bool
        Whether photos in the folders are marked by the times in their files (Exif), to seconds at best. They are in
        ``Alignment.to_dict()["photos"]`` and among the markers.
    allow_ffmpeg : bool
        Whether an ``ffmpeg`` on PATH may read what cannot be read otherwise.
    cache : str or path-like, optional
        A folder for measurements. The next call then measures only what is new; the result is the same. It is made if
        it is missing, and holds at most 5 GiB. If not given, nothing is kept.
    threads : int, optional
        Number of files to process at once; the number of cores if not given. The result does not depend on it.
    progress : callable or bool, optional
        See `align`.

    Returns
    -------
    Alignment
        A file that cannot be read or placed is not an error: it is in the result, unplaced, with the reason.

    Raises
    ------
    FileMissingError
        When a path does not exist, or there is no recording. It is a `FileNotFoundError`.
    InvalidArgumentError
        For options that name no file or contradict each other. It is a `ValueError`.

    Examples
    --------
    >>> import coeval
    >>> shoot = coeval.align_shoot("the-shoot")
    >>> for file in shoot:
    ...     print(file.path, f"{file.offset_s:.2f} s" if file.placed else file.reason)
    camera.mp4 2.66 s
    recorder.wav 0.00 s
    """
    given = numbers("align_shoot", locals())
    check_numbers(max_drift_ppm=max_drift_ppm)
    single = isinstance(paths, (str, bytes, os.PathLike))
    listed: list[Any] = [paths] if single else list(paths)  # type: ignore[arg-type]
    count = as_threads(threads)
    with Listener(progress) as callback:
        text, root = _native.align_shoot(
            listed,
            given,
            main,
            [exclude] if isinstance(exclude, str) else list(exclude),
            _pairs(recordings, "recordings"),
            _pairs(kinds, "kinds"),
            keep_apart,
            *_anchors(anchors),
            list((distances_m or {}).items()),
            max_drift_ppm,
            allow_ffmpeg,
            cache,
            count,
            callback,
        )
    return Alignment(text, root)


def align_many(
    sounds: Mapping[str, Union[Track, tuple[ArrayLike, float]]],
    *,
    main: Optional[str] = None,
    kinds: Optional[Mapping[str, str]] = None,
    max_drift_ppm: float = 500.0,
    threads: Optional[int] = None,
    progress: Progress = None,
) -> Alignment:
    """Align many recordings that are arrays or tracks.

    Parameters
    ----------
    sounds : mapping
        ``{name: (samples, rate_hz)}`` or ``{name: track}``. Each is a recording of its own.
    main : str, optional
        The reference clock: the name of the recording whose clock the timeline uses.
    kinds : mapping, optional
        ``{name: "camera", "recorder" or "other"}``.
    max_drift_ppm, threads, progress
        See `align_shoot`.

    Returns
    -------
    Alignment
        Its files have the names that you gave: ``result["recorder"].offset_s``.

    Raises
    ------
    InvalidArgumentError
        When there are no sounds, for unsupported types and rates, and for unknown names. It is a `ValueError`.

    Examples
    --------
    >>> import numpy as np, coeval
    >>> rng = np.random.default_rng(7)
    >>> world = rng.standard_normal(30 * 8000)
    >>> sounds = {f"cam-{i}": world[i * 8000 :] + rng.standard_normal(world.size - i * 8000) for i in range(3)}
    >>> result = coeval.align_many({name: (sound, 8000) for name, sound in sounds.items()}, main="cam-0")
    >>> [f"{file.offset_s:.3f}" for file in result]
    ['0.000', '1.000', '2.000']
    """
    tracks: list[tuple[str, _native.Track]] = []
    for name, sound in sounds.items():
        if not isinstance(name, str):
            raise InvalidArgumentError(f"sounds: {name!r} is not a name")
        if not isinstance(sound, Track):
            try:
                samples, rate_hz = sound
            except (TypeError, ValueError):
                raise InvalidArgumentError(f"sounds: {name!r} is neither a Track nor (samples, rate_hz)") from None
            sound = Track._of(_make(samples, rate_hz, name, 0, None))
        tracks.append((name, sound._inner))
    if not tracks:
        raise InvalidArgumentError("sounds is empty")
    count = as_threads(threads)
    check_numbers(max_drift_ppm=max_drift_ppm)
    with Listener(progress) as callback:
        return Alignment(_native.align_tracks(tracks, main, _pairs(kinds, "kinds"), max_drift_ppm, count, callback))


def conform(
    alignment: Alignment,
    out: Path,
    *,
    root: Optional[Path] = None,
    rate_hz: int = 48_000,
    frame_rate: Optional[tuple[int, int]] = None,
    timeline_start_s: float = 0.0,
    camera_level_db: Optional[float] = None,
    tracks: Sequence[Union[int, str]] = (),
    own_sound: bool = False,
    sample_format: str = "int24",
    replace: bool = False,
    allow_ffmpeg: bool = False,
    errors: str = "raise",
    threads: Optional[int] = None,
    progress: Progress = None,
    format: Optional[str] = None,
) -> tuple[Conformed, ...]:
    """Conform the recorders' sound, and write it as WAV files.

    To conform means here: to resample and cut sound so that it fits a clip sample for sample. There is one file for each
    clip, and one for each recorder file in full, on the reference clock.

    Parameters
    ----------
    alignment : Alignment
        What was aligned.
    out : str or path-like
        The folder for the files; it must exist.
    root : str or path-like, optional
        The folder that the recordings lie in, if the alignment does not know it.
    rate_hz : int
        Rate of the output, Hz, 8000 to 192000; 48000 if not given.
    frame_rate : (int, int), optional
        Frame rate (fps) of the timeline as a ratio, ``(30000, 1001)``; that of the reference recording's picture if not
        given.
    timeline_start_s : float
        Time of day at which the timeline starts, seconds since midnight. The time references in the files count from it.
    camera_level_db : float, optional
        Level of the camera's own sound mixed in, dB; the recorder alone if not given.
    tracks : sequence of int or str
        The recorders' tracks that go under clips, in this order: numbers from 1, or names; ``*`` stands for any
        characters. If not given: all tracks of a recorder that has one or two, else those named as a mix, else the
        first two on which something happens.
    own_sound : bool
        If the sound of a clip was also recorded into a file of the same name (``better_sound_of``), put only that file
        under the clip.
    sample_format : {"int24", "int16", "float32"}
        How samples are written.
    replace : bool
        Whether files with the same names may be replaced.
    errors : {"raise", "return"}
        What happens if some sound could not be made. The rest is written in any case. Then ``"raise"`` raises
        `ConformError`, and ``"return"`` returns the result.
    allow_ffmpeg, threads, progress
        See `align_shoot`.
    format : str, optional
        The earlier name of `sample_format`; deprecated.

    Returns
    -------
    tuple of Conformed
        One for each sound. With ``errors="return"``, a sound that could not be made has `path` `None`, and `problem`
        says why.

    Raises
    ------
    ConformError
        When some sounds could not be made; its `made` is what would have been returned. It is an `OSError`.

    Examples
    --------
    >>> import coeval
    >>> shoot = coeval.Alignment.load("results/alignment.json", root="the-shoot")
    >>> for sound in coeval.conform(shoot, "sound", replace=True):
    ...     print(sound.name, "under", sound.under_clip, sound.frames)
    camera.sound-of-recorder.wav under camera.mp4 3264000
    recorder.on-timeline.wav under None 3600000
    """
    if errors not in ("raise", "return"):
        raise InvalidArgumentError(f"errors is {errors!r}, not 'raise' or 'return'")
    sample_format = renamed("format", "sample_format", format, sample_format)
    count = as_threads(threads)
    check_numbers(rate_hz=rate_hz, timeline_start_s=timeline_start_s, camera_level_db=camera_level_db)
    with Listener(progress) as callback:
        made = _native.conform(
            alignment.to_json(),
            alignment._root(root),
            out,
            rate_hz,
            frame_rate,
            timeline_start_s,
            camera_level_db,
            [str(track) for track in ([tracks] if isinstance(tracks, str) else tracks)],
            own_sound,
            sample_format,
            replace,
            allow_ffmpeg,
            count,
            callback,
        )
    sounds = tuple(
        Conformed(**{**one, "path": None if one["path"] is None else os.fspath(one["path"]), "sources": tuple(one["sources"])})
        for one in made
    )
    failed = [sound for sound in sounds if sound.path is None]
    if failed and errors == "raise":
        names = ", ".join(f"{sound.name}: {sound.problem}" for sound in failed[:3])
        error = ConformError(
            f"{len(failed)} of {len(sounds)} sounds could not be made: {names}{', ...' if failed[3:] else ''}",
            os.fspath(out),
            "errors=\"return\" returns the others",
        )
        error.made = sounds
        raise error
    return sounds
