"""Named conditions that travel with a find or a photo, each defined once with its texts.

The same words serve the JSON, the tooltips on the page and the dossier.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """One condition. `short` fits a label, `text` is a sentence for the inspector."""

    name: str
    short: str
    text: str


FIND_FLAGS: dict[str, Flag] = {
    flag.name: flag
    for flag in (
        Flag(
            "touches_edge",
            "at edge",
            "The find touches the border of what the photo shows; it may be larger.",
        ),
        Flag(
            "below_smallest", "too small to size", "Smaller than this photo can size; a close-up is needed."
        ),
        Flag(
            "saturated",
            "blown out",
            "The camera is saturated inside the find; its kind and width are less sure.",
        ),
        Flag("blurred", "blurred", "Blur is a large part of this find's size; the correction is less sure."),
        Flag("joined", "joined", "A broken line was joined into one scratch."),
        Flag("faint", "faint", "Barely above the noise of the photo."),
    )
}

PHOTO_FLAGS: dict[str, Flag] = {
    flag.name: flag
    for flag in (
        Flag(
            "no_scale",
            "no scale",
            "The photo has no scale: finds are shown, not sized, and no verdict is given.",
        ),
        Flag("tags_missing", "tags missing", "Fewer reference tags were found than the set-up names."),
        Flag("tags_disagree", "tags disagree", "The tags in the photo do not lie where the set-up says."),
        Flag("setup_contradicts", "set-up disagrees", "The set-up does not fit this photo."),
        Flag("too_dark", "too dark", "The photo is too dark to tell defects from noise."),
        Flag("blown_out", "blown out", "Too much of the photo is saturated."),
        Flag("out_of_focus", "out of focus", "The photo is out of focus."),
        Flag(
            "wrong_lighting", "wrong lighting", "The photo does not look like the lighting the set-up names."
        ),
        Flag("not_a_sheet", "not a sheet", "The photo does not look like a lit sheet of glass."),
        Flag("partly_outside", "partly outside", "Part of the field lies outside the photo."),
        Flag("partly_hidden", "partly hidden", "Part of the field is hidden, blown out or not glass."),
        Flag(
            "too_many_finds",
            "very many marks",
            "The sheet shows more marks than can be listed; clean it first.",
        ),
    )
}
