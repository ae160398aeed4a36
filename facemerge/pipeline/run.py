"""The whole job: from files to a folder of results."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from facemerge import composite, text
from facemerge.errors import InputError, NobodyFoundError, OptionError
from facemerge.formats import (
    beside,
    cache,
    encode,
    files,
    icc,
    layered_tiff,
    openraster,
    page,
    photo,
    previews,
    report,
)
from facemerge.formats.decisions import write_decisions
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import delivery
from facemerge.pipeline.donors import hidden_donors
from facemerge.pipeline.known import Known
from facemerge.pipeline.look import SETTING_BYTES_A_PIXEL, Album, analyse, require_memory
from facemerge.pipeline.looker import Read
from facemerge.pipeline.progress import Clock, Progress, no_progress
from facemerge.pipeline.setting import Set, choose, missing_risks, settle, with_notes
from facemerge.words import Aligned, Analysis, Choice, Decisions, Frame, Head, Pick, Pixels, Risk, Stays

PICTURES = ("tif", "png", "jpg")
LAYERED_TIFF = "composite-layers.tif"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """What a run has found and made."""

    analysis: Analysis
    choice: Choice
    heads: tuple[Head, ...]
    """In the order they are laid, back row first; empty for a cull."""
    risks: dict[str, Risk]
    """By person id, for everybody whose head was set in or should have been."""
    report: report.Report
    """What report.json holds."""

    @property
    def summary(self) -> tuple[str, ...]:
        """The run in a few plain lines."""
        return _summary(self)


def cull(
    sources: Sequence[Path],
    out: Path,
    *,
    options: Options | None = None,
    decisions: Decisions | None = None,
    models: Models | None = None,
    progress: Progress = no_progress,
    sidecars: str | None = None,
    afresh: bool = False,
    clock: Clock | None = None,
) -> Result:
    """Analyse a burst and write its report: who is good where, and what `merge` would take.

    Parameters
    ----------
    sources
        A folder of frames, or the frames.
    out
        The folder to write: report.json and report.html. An earlier result of this program is replaced.
    options, decisions, models, progress
        Settings, the user's decisions, the networks, and who is told how far it is.
    sidecars
        Where an XMP sidecar for every frame is put: 'out', into the folder 'sidecars' of `out`; 'beside',
        beside the frames. None: none are made.
    afresh
        Whether what an earlier run has kept beside `out` is left alone, and nothing is kept there; the result
        is the same.
    clock
        Told where the time goes; made just before the call.

    Raises
    ------
    FacemergeError
        If it cannot be done; `out` is then as it was.
    """
    return _run(
        sources,
        out,
        options,
        decisions,
        models,
        progress,
        pictures=(),
        layers=False,
        layered_tiff=False,
        sidecars=sidecars,
        keep_location=False,
        afresh=afresh,
        clock=clock or Clock(),
    )


def merge(
    sources: Sequence[Path],
    out: Path,
    *,
    options: Options | None = None,
    decisions: Decisions | None = None,
    models: Models | None = None,
    progress: Progress = no_progress,
    pictures: Sequence[str] = ("tif",),
    layers: bool = True,
    layered_tiff: bool = False,
    sidecars: str | None = None,
    keep_location: bool = False,
    afresh: bool = False,
    clock: Clock | None = None,
    made: Set | None = None,
) -> Result:
    """Set everybody's best head into one frame, and write the composite, its layers, masks and report.

    Parameters
    ----------
    sources
        A folder of frames, or the frames.
    out
        The folder to write. An earlier result of this program is replaced.
    options, decisions, models, progress
        Settings, the user's decisions, the networks, and who is told how far it is.
    pictures
        Forms of the finished picture: 'tif', 'png', 'jpg'; the first is the one the report names.
    layers
        Whether the layered file, OpenRaster, is written.
    layered_tiff
        Whether the layers are written as a TIFF file of several pages as well.
    keep_location
        Whether the finished picture says where it was taken, if the base does.
    sidecars, afresh, clock
        As `cull` takes them.
    made
        What `settle` would give, if a review of the same frames, settings and decisions has made it already.

    Raises
    ------
    FacemergeError
        If it cannot be done; `out` is then as it was.
    """
    return _run(
        sources,
        out,
        options,
        decisions,
        models,
        progress,
        pictures=pictures,
        layers=layers,
        layered_tiff=layered_tiff,
        sidecars=sidecars,
        keep_location=keep_location,
        afresh=afresh,
        clock=clock or Clock(),
        made=made,
    )


def _run(
    sources: Sequence[Path],
    out: Path,
    options: Options | None,
    decisions: Decisions | None,
    models: Models | None,
    progress: Progress,
    *,
    pictures: Sequence[str],
    layers: bool,
    layered_tiff: bool,
    sidecars: str | None,
    keep_location: bool,
    afresh: bool,
    clock: Clock,
    made: Set | None = None,
) -> Result:
    options, decisions, models = options or Options(), decisions or Decisions(), models or Models()
    for form in pictures:
        if form not in PICTURES:
            raise OptionError(f"A finished picture is tif, png or jpg, not {form!r}.")
    delivery.check_place(sidecars)
    with clock.stage("Finding the frames"):
        frames, notes = photo.find_frames(sources)
    photo.require_burst(frames)
    if pictures:
        require_memory(frames, SETTING_BYTES_A_PIXEL)
    decisions = _by_name(decisions, frames)
    # The place is claimed before the work: a folder that cannot be written is known at once.
    # The folder of the result is put in place first, then the sidecars beside the frames.
    with (
        beside.put_beside() as waiting,
        files.folder_in_place(out, inputs=[Path(f.path) for f in frames]) as work,
    ):
        analysis, album = _looked_through(frames, models, options, progress, clock, None if afresh else out)
        if pictures:
            with clock.stage("Choosing heads and setting them in"):
                made = made or settle(analysis, album, decisions, photo.read, options, progress)
            chosen, pixels, heads, risks = made.choice, made.base, made.heads, made.risks
            notes.extend(made.notes)
        else:
            with clock.stage("Choosing heads"):
                chosen = choose(analysis, album, decisions, options)
            pixels, heads = photo.read(analysis.frames[chosen.base]), ()
            risks = with_notes(missing_risks(analysis, chosen, options), decisions, options)
        merged = composite.lay(pixels, heads)
        told, left = delivery.sidecars(analysis, chosen, options, out) if sidecars else ((), ())
        written = report.build_report(
            analysis=analysis,
            choice=chosen,
            options=options,
            heads=heads,
            risks=risks,
            notes=[*notes, *left],
            composite=f"composite.{pictures[0]}" if pictures else None,
            layers="composite.ora" if pictures and layers else None,
            layered_tiff=LAYERED_TIFF if pictures and layered_tiff else None,
        )
        written["sources"] = _sources(analysis.frames, out)
        written["keep_location"] = keep_location
        if sidecars:
            written["sidecars"] = delivery.record(told, sidecars)
        progress("Writing", 0, 1)
        with clock.stage("Writing"):
            if pictures:
                packet = delivery.packet(analysis, chosen, heads, keep_location=keep_location)
                _write_pictures(work, analysis, chosen, pixels, heads, merged, pictures, written, packet)
            report.write_report(work / "report.json", written)
            page.write_page(
                work / "report.html",
                written,
                _previews(analysis, album, chosen, pixels, merged, heads, risks),
            )
            # Without any, those of an earlier review stay in OUT: a run that was not told of them loses none.
            if decisions != Decisions():
                write_decisions(work / files.DECISIONS, decisions)
            delivery.write(told, sidecars or "", work, waiting)
        progress("Writing", 1, 1)
    return Result(analysis=analysis, choice=chosen, heads=heads, risks=risks, report=written)


def _sources(frames: Sequence[Frame], out: Path) -> list[str]:
    """Return the folders of the frames as seen from where OUT lies, so that they are found when both move."""
    folders = {Path(f.path).parent.resolve() for f in frames}
    return sorted(Path(os.path.relpath(folder, out.resolve().parent)).as_posix() for folder in folders)


def _looked_through(
    frames: Sequence[Frame],
    models: Models,
    options: Options,
    progress: Progress,
    clock: Clock,
    out: Path | None,
) -> tuple[Analysis, Album]:
    """Return what is known of the burst, begun where an earlier run into `out` has ended (None: afresh)."""
    known, read = known_of(frames, options, out)
    try:
        found = analyse(frames, read, models, options, progress, known=known, clock=clock)
    except (InputError, NobodyFoundError):
        # Of such frames there is nothing worth keeping.
        known.discard()
        raise
    known.tidy()
    return found


def known_of(frames: Sequence[Frame], options: Options, out: Path | None) -> tuple[Known, Read]:
    """Return what an earlier run into `out` (None: none) has left of a burst, and what gives its frames."""
    # If some frames have no colour none has: looks must be compared like with like.
    grey = len({f.channels for f in frames}) > 1
    shelf = None if out is None else cache.Shelf(cache.beside(out))
    return Known(shelf, options, colours="none" if grey else "sRGB"), reader(grey=grey)


def reader(*, grey: bool = False) -> Read:
    """Return what gives frames to the analysis: as 8-bit sRGB, the only colours the networks know."""
    return partial(_read, grey=grey)


def _read(frame: Frame, *, grey: bool) -> Pixels:
    pixels = icc.to_srgb(photo.read(frame), frame.profile)
    return icc.without_colour(pixels) if grey else pixels


def _by_name(decisions: Decisions, frames: Sequence[Frame]) -> Decisions:
    """Return decisions in which every frame goes by its name in the burst, whatever path was typed.

    Raises
    ------
    OptionError
        If one names no frame of the burst: better said now than after the analysis.
    """
    known = {f.name: f.name for f in frames} | {str(Path(f.path).resolve()): f.name for f in frames}

    def name(said: str) -> str:
        found = known.get(said)
        if found is None:
            # Half a pair of surrogates, a zero or a circle of links: no path, and no frame's name either.
            with suppress(ValueError, OSError, RuntimeError):
                found = known.get(str(Path(said).resolve()))
        if found is None:
            raise OptionError(
                f"There is no frame {said!r} in this burst; there are {', '.join(f.name for f in frames)}."
            )
        return found

    stays = decisions.stays
    # Touches name their frames too; one that is not there any more is told once the choice is known.
    return replace(
        decisions,
        base=None if decisions.base is None else name(decisions.base),
        force={person: name(frame) for person, frame in decisions.force.items()},
        forbid=frozenset((person, name(frame)) for person, frame in decisions.forbid),
        stays=None
        if stays is None
        else Stays(base=name(stays.base), picks={p: name(f) for p, f in stays.picks.items()}),
    )


def _write_pictures(
    work: Path,
    analysis: Analysis,
    chosen: Choice,
    base: Pixels,
    heads: Sequence[Head],
    merged: Pixels,
    pictures: Sequence[str],
    written: report.Report,
    packet: bytes,
) -> None:
    """Write the finished picture, the layered files that the report names, and the masks."""
    frame = analysis.frames[chosen.base]
    donors = {p.person: analysis.frames[p.frame].name for p in chosen.picks if not p.from_base}
    grey = frame.channels == 1
    writers = {"tif": encode.write_tiff, "png": encode.write_png, "jpg": encode.write_jpeg}

    def write_flat() -> None:
        for form in dict.fromkeys(pictures):
            writers[form](
                work / f"composite.{form}",
                merged,
                profile=frame.profile,
                exif_from=frame,
                xmp=packet,
                greyscale=grey,
            )
        (work / "masks").mkdir()
        for head in heads:
            encode.write_mask(work / "masks" / f"{head.person}.png", head, frame.size)

    said: dict[str, Any] = {
        "profile": frame.profile,
        "base_name": frame.name,
        "donors": donors,
        "xmp": packet,
    }
    with ThreadPoolExecutor(1) as pool:
        flat = pool.submit(write_flat)
        if written["layers"]:
            hidden = hidden_donors(analysis, chosen, heads)
            openraster.write_ora(work / written["layers"], base, heads, merged, hidden=hidden, **said)
        if written["layered_tiff"]:
            layered_tiff.write_layered_tiff(
                work / written["layered_tiff"], base, heads, merged, exif_from=frame, greyscale=grey, **said
            )
        flat.result()


def _previews(
    analysis: Analysis,
    album: Album,
    chosen: Choice,
    base: Pixels,
    merged: Pixels,
    heads: Sequence[Head],
    risks: Mapping[str, Risk],
) -> previews.Pictures:
    profile = analysis.frames[chosen.base].profile
    return previews.Pictures(
        composite=previews.whole_picture(merged, profile),
        base=previews.whole_picture(base, profile) if heads else None,
        heads={
            h.person: previews.head_pictures(base, merged, h, risks[h.person].places, profile) for h in heads
        },
        seams={
            h.person: close
            for h in heads
            if risks[h.person].flag != "clear"
            and (close := previews.seam_pictures(base, merged, h, risks[h.person].places, profile))
        },
        faces={(who, analysis.frames[f].name): picture for (who, f), picture in album.thumbnails.items()},
    )


def _summary(result: Result) -> tuple[str, ...]:
    analysis, chosen = result.analysis, result.choice
    frames, people = len(analysis.frames), len(analysis.people)
    errors = [a.error_px for a in analysis.alignments if isinstance(a, Aligned) and a.model != "reference"]
    placed = f"all {frames}" if len(errors) + 1 == frames else f"{len(errors) + 1} of {frames}"
    lines = [
        f"Read {frames} frames of {'1 person' if people == 1 else f'{people} people'}; {placed} aligned"
        + (f", to about {sorted(errors)[len(errors) // 2]:.1f} px." if errors else "."),
        *_left_out(result),
        chosen.why,
    ]
    swaps = [_from(analysis, p) for p in chosen.picks if not p.from_base]
    if not swaps and any(p.left is not None for p in chosen.picks):
        lines.append("Nobody can be set in unseen: the base stands as it is.")
    elif not swaps:
        lines.append("Nobody is better in another frame: the base stands as it is.")
    elif not result.heads:
        lines.append(f"Better elsewhere: {', '.join(swaps)}.")
    else:
        lines.append(f"Heads set in: {', '.join(swaps)}.")
        clear = [h.person for h in result.heads if result.risks[h.person].flag == "clear"]
        if clear:
            lines.append(f"Clear: {', '.join(clear)}.")
    for person, danger in result.risks.items():
        if danger.flag != "clear":
            words = "Look closely at" if danger.flag == "inspect" else "Needs retouching"
            lines.append(f"{words}: {person}, {text.reasons(danger)[0]}.")
    if sidecars := result.report.get("sidecars"):
        lines.append(delivery.told(sidecars))
    return tuple(lines)


def _left_out(result: Result) -> list[str]:
    """Return what was not used, the first reason of each kind in full."""
    lines = []
    notes, dropped = result.report["notes"], result.report["dropped"]
    if notes:
        more = f" ({len(notes) - 1} more in the report)" if len(notes) > 1 else ""
        lines.append(f"Note: {notes[0]}{more}")
    if dropped:
        more = f" ({len(dropped) - 1} more in the report)" if len(dropped) > 1 else ""
        lines.append(f"Gives no heads: {dropped[0]['file']}, {dropped[0]['reason']}{more}")
    return lines


def _from(analysis: Analysis, pick: Pick) -> str:
    return f"{pick.person} from {analysis.frames[pick.frame].name}"
