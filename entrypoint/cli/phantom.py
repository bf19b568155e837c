"""``entrypoint phantom``: practice heads with exact answers."""

from __future__ import annotations

from typing import Annotated

import typer


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
    random: Annotated[
        int | None, typer.Option("--random", min=1, max=10000, help="Make this many random heads.")
    ] = None,
    samples: Annotated[
        str | None, typer.Option("--samples", metavar="FOLDER", help="Make the sample volumes.")
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="List heads and conditions, and stop.")
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
    for condition in planted or []:
        _known(condition)
    count = random or 1
    width = len(str(count - 1))
    stems = (
        [f"random-{i:0{max(width, 3)}d}" for i in range(count)]
        if random is not None
        else ["-".join([_head_name(str(name)), *(planted or [])])]
    )
    folder = _folder(out, _names(stems), force=force)
    for i, stem in enumerate(stems):
        files = _one(
            None if random is not None else str(name),
            i,
            stem,
            seed,
            tuple(planted or ()),
            voxel_mm,
            slice_mm,
            noise_hu,
        )
        _write(folder, files, force=force)
        write_stdout(f"{stem}: practice head, not a patient\n")


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


def _known(condition: str) -> None:
    from entrypoint.errors import FieldRefused
    from entrypoint.phantoms.conditions.catalogue import CONDITIONS

    if condition not in CONDITIONS:
        raise FieldRefused(
            found=f"there is no condition named {condition!r}",
            expected=", ".join(CONDITIONS),
            next_step="see entrypoint phantom --list",
        )


def _one(
    name: str | None,
    index: int,
    stem: str,
    seed: int | None,
    planted: tuple[str, ...],
    voxel_mm: float,
    slice_mm: float,
    noise_hu: float,
) -> dict[str, bytes]:
    """Files of one head."""
    from dataclasses import replace

    from entrypoint.phantoms import Scanner, build, head_files, named_spec, plant, random_spec

    if name is None:
        # index added to the seed: the first N heads are the same however many are made
        spec = random_spec((seed or 0) * 100_003 + index)
    else:
        spec = named_spec(name)
        if seed is not None:
            spec = replace(spec, seed=seed)
    head = build(plant(spec, *planted))
    grid = head.grid(voxel_mm=voxel_mm, slice_mm=slice_mm)
    return head_files(head, grid, Scanner(noise_hu=noise_hu), stem)


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


def _list() -> None:
    from entrypoint.cli.output import write_stdout
    from entrypoint.phantoms.conditions.catalogue import CONDITIONS
    from entrypoint.phantoms.spec import names

    write_stdout(
        "Heads:\n"
        + "".join(f"  {n}\n" for n in names())
        + "Conditions (--with):\n"
        + "".join(f"  {n}\n" for n in CONDITIONS)
    )
