"""What the files that were given hold, as `vinemap import` understands them, and how they come into the vineyard."""

from __future__ import annotations

import shutil
from pathlib import Path

from vinemap.desk.drafts import DESK
from vinemap.desk.uploads import GIVEN, forget, given_files
from vinemap.desk.vineyards import Place
from vinemap.errors import InputError
from vinemap.exports.exchange import added
from vinemap.intake.questions import Proposal, settled
from vinemap.intake.tidy import answers_in, originals, write_folder
from vinemap.intake.understand import Understanding, understand
from vinemap.reading.files import GRIDS, inputs_in

_ELEVATION = "elevation.tif"


def all_files(place: Place) -> list[Path]:
    """Return the files that were given, with those of earlier imports: the whole is understood anew with every file."""
    given = given_files(place.folder)
    taken = {path.name for path in given}
    return [*(path for path in originals(place.folder) if path.name not in taken), *given]


def understood(place: Place) -> Understanding | None:
    """Return what the files hold; None where none are waiting."""
    if not given_files(place.folder):
        return None
    return understand(all_files(place), {**_kept_answers(place.folder), **place.drafts.answers})


def _kept_answers(folder: Path) -> dict[str, str]:
    try:
        return answers_in(folder)
    except InputError:
        return {}


def standing(proposal: Proposal, understanding: Understanding) -> str | None:
    """Return the choice that a page marks: what stands, else what is proposed."""
    found = settled(proposal, understanding.answers)
    return proposal.value if found is None else found


def as_they_are(place: Place) -> list[str]:
    """Return the names of given files that can go into the folder as they are: those that a vineyard's files have."""
    given = given_files(place.folder)
    ours = set(inputs_in(place.folder / DESK / GIVEN))
    shapes = {Path(name).stem for name in ours if name.lower().endswith(".shp")}
    return [path.name for path in given if path.name in ours or path.stem in shapes]


def take_in(place: Place) -> None:
    """Write the vineyard's files from what was understood, all or nothing.

    Raises
    ------
    InputError
        Where questions or problems stand open, or a file in the folder is not to be replaced.
    """
    given = given_files(place.folder)
    if len(given) == 1 and given[0].suffix.lower() in GRIDS:
        _copy_in(place, {_ELEVATION: given[0]})
    else:
        found = understood(place)
        if found is not None:
            write_folder(found, all_files(place), place.folder)
    forget(place.folder)


def take_in_as_they_are(place: Place) -> None:
    """Copy given files that have a vineyard's names into its folder; what they replace is kept on the desk."""
    names = as_they_are(place)
    _copy_in(place, {path.name: path for path in given_files(place.folder) if path.name in names})
    for path in given_files(place.folder):
        if path.name in names:
            path.unlink()


def _copy_in(place: Place, files: dict[str, Path]) -> None:
    place.keep_former(files)
    with added(place.folder, replacing=files) as stage:
        for name, path in files.items():
            shutil.copyfile(path, stage / name)
