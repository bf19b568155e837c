"""``entrypoint phantom``: practice heads with exact answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from entrypoint.phantoms import HeadSpec


def phantom(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="A head by name; see --list.")
    ] = None,
    out: Annotated[
        str | None, typer.Option("--out", metavar="FOLDER", help="Where the files go.")
    ] = None,
    voxel_mm: Annotated[
        float, typer.Option("--voxel-mm", min=0.3, max=3.0, help="Voxel size in plane.")
    ] = 0.7,
    slice_mm: Annotated[
        float, typer.Option("--slice-mm", min=0.3, max=6.0, help="Slice thickness.")
    ] = 1.0,
    noise_hu: Annotated[
        float, typer.Option("--noise-hu", min=0.0, max=100.0, help="Spread of the noise, HU.")
    ] = 20.0,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Another individual of that name.")
    ] = None,
    planted: Annotated[
        list[str] | None,
        typer.Option("--with", metavar="CONDITION", help="Plant one; may be given repeatedly."),
    ] = None,
    field: Annotated[
        str | None,
        typer.Option("--field", metavar="FIELD", help="A field of view that loses a part."),
    ] = None,
    stored_as: Annotated[
        str, typer.Option("--stored-as", metavar="WAY", help="How the file stores the head.")
    ] = "plain",
    dicom: Annotated[
        bool,
        typer.Option("--dicom", help="Write a DICOM series as well, in a folder NAME.dicom."),
    ] = False,
    random: Annotated[
        int | None, typer.Option("--random", min=1, max=10000, help="Make this many random heads.")
    ] = None,
    samples: Annotated[
        str | None, typer.Option("--samples", metavar="FOLDER", help="Make the sample volumes.")
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="List every name, and stop.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace existing files.")] = False,
) -> None:
    """Make practice heads: a CT volume, its landmarks, and its true answers. Never a patient."""
    chosen = [name is not None, random is not None, samples is not None, listed]
    if sum(chosen) != 1:
        raise typer.BadParameter("give one of NAME, --random, --samples or --list")
    if listed:
        _list()
        return
    from entrypoint.cli.output import write_stdout

    if samples is not None:
        from entrypoint.phantoms.files import SAMPLES, sample_files

        stems = [stem for stem, _, _ in SAMPLES]
        folder = _folder(samples, [*_names(stems), "SHA256SUMS"], force=force)
        _write(folder, sample_files(), force=force)
        write_stdout(f"Made {len(stems)} practice heads: {', '.join(stems)}.\n")
        return
    if out is None:
        raise typer.BadParameter("say where the files go with --out FOLDER")
    _known(planted or [], field, stored_as)
    count = random or 1
    width = len(str(count - 1))
    stems = (
        [f"random-{i:0{max(width, 3)}d}" for i in range(count)]
        if random is not None
        else ["-".join([_head_name(str(name)), *(planted or [])])]
    )
    folder = _folder(out, _names(stems), force=force)
    if dicom:
        from entrypoint.io.dicom_write import check_folder

        for stem in stems:
            check_folder(f"{folder}/{stem}.dicom", force=force)
    for i, stem in enumerate(stems):
        spec = _spec(None if random is not None else str(name), i, seed)
        sides = _sides(spec, planted or [])
        _write(
            folder,
            _files(spec, planted or [], stem, voxel_mm, slice_mm, noise_hu, field, stored_as),
            force=force,
        )
        if dicom:
            _write_series(folder, stem, force=force)
        write_stdout(f"{stem}: practice head, not a patient{sides}\n")


def _names(stems: list[str]) -> list[str]:
    return [f"{s}{end}" for s in stems for end in (".nii.gz", ".landmarks.json", ".truth.json")]


def _head_name(name: str) -> str:
    from entrypoint.errors import FieldRefused
    from entrypoint.phantoms.spec import names

    if name not in names():
        raise FieldRefused(
            found=f"there is no practice head named {name!r}",
            expected=", ".join(names()),
            next_step="see entrypoint phantom --list",
        )
    return name


def _known(planted: list[str], field: str | None, stored_as: str) -> None:
    """Refuse an unknown name, or conditions that contradict, before any work is done."""
    from entrypoint.errors import FieldRefused
    from entrypoint.phantoms import CONDITIONS, FIELDS, PLACED, STORAGE, HeadSpec, plant

    groups = (
        ("condition", planted, CONDITIONS | PLACED),
        ("field of view", [] if field is None else [field], FIELDS),
        ("way of storing", [stored_as], STORAGE),
    )
    for kind, asked, known in groups:
        for name in asked:
            if name not in known:
                short = [n for n in known if not n.startswith("axes-")]
                raise FieldRefused(
                    found=f"there is no {kind} named {name!r}",
                    expected=", ".join(short),
                    next_step="see entrypoint phantom --list",
                )
    plant(HeadSpec(), *planted)


def _spec(name: str | None, index: int, seed: int | None) -> HeadSpec:
    """Parameters of one head before anything is planted."""
    from dataclasses import replace

    from entrypoint.phantoms import named_spec, random_spec

    if name is None:
        # index added to the seed: the first N heads are the same however many are made
        return random_spec((seed or 0) * 100_003 + index)
    spec = named_spec(name)
    return spec if seed is None else replace(spec, seed=seed)


def _sides(spec: HeadSpec, planted: list[str]) -> str:
    """Which side each planted condition was given."""
    from entrypoint.phantoms import planted_sides

    sides = planted_sides(spec, *planted)
    return "".join(f"; {name}: PATIENT'S {side.upper()}" for name, side in sides.items())


def _files(
    spec: HeadSpec,
    planted: list[str],
    stem: str,
    voxel_mm: float,
    slice_mm: float,
    noise_hu: float,
    field: str | None,
    stored_as: str,
) -> dict[str, bytes]:
    """Files of one head."""
    from entrypoint.phantoms import Scanner, build, head_files, plant

    head = build(plant(spec, *planted))
    grid = head.grid(voxel_mm=voxel_mm, slice_mm=slice_mm, field=field)
    return head_files(head, grid, Scanner(noise_hu=noise_hu), stem, stored_as=stored_as)


def _folder(folder: str, files: list[str], *, force: bool) -> str:
    """Make the folder where it is missing, and refuse before any work is done."""
    from pathlib import Path

    from entrypoint.errors import OutputRefused
    from entrypoint.io.atomic import check_target

    path = Path(folder)
    if path.exists() and not path.is_dir():
        raise OutputRefused(
            found="the output folder is a file",
            expected="a folder",
            next_step="choose another name",
        )
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError:
        raise OutputRefused(
            found="the output folder cannot be made",
            expected="permission to write",
            next_step="choose another folder",
        ) from None
    for name in files:
        check_target(path / name, force=force)
    return folder


def _write(folder: str, files: dict[str, bytes], *, force: bool) -> None:
    from pathlib import Path

    from entrypoint.io.atomic import write_bytes

    for name, content in files.items():
        write_bytes(Path(folder) / name, content, force=force)


def _write_series(folder: str, stem: str, *, force: bool) -> None:
    """The head that was just written, as a DICOM series of its own."""
    from pathlib import Path

    from entrypoint.io.dicom_write import series_files, write_series
    from entrypoint.io.nifti import read_nifti

    files = series_files(read_nifti(Path(folder) / f"{stem}.nii.gz"))
    write_series(Path(folder) / f"{stem}.dicom", files, force=force)


def _list() -> None:
    from entrypoint.cli.output import write_stdout
    from entrypoint.phantoms import (
        CONDITIONS,
        FIELDS,
        PLACED,
        STORAGE,
        HeadSpec,
        names,
        planted_sides,
    )

    def condition(name: str) -> str:
        sided = planted_sides(HeadSpec(), name)
        return f"{name} (side drawn from the seed)" if sided else name

    ways = [n for n in STORAGE if not n.startswith("axes-")]
    groups = {
        "Heads": names(),
        "Conditions (--with)": [condition(n) for n in CONDITIONS],
        "After placement (--with)": [condition(n) for n in PLACED],
        "Fields of view that lose a part (--field)": list(FIELDS),
        "Ways of storing (--stored-as)": [*ways, "axes-RAS, axes-LPS ... (any of the 48 orders)"],
    }
    write_stdout(
        "".join(f"{title}:\n" + "".join(f"  {n}\n" for n in g) for title, g in groups.items())
    )
