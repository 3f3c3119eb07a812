"""Command line: `python -m seed_demo FOLDER --size demo --seed 1`."""

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import click

from seed_demo.sizes import SIZES, PlantSize


@click.command(
    epilog="Example: python -m seed_demo demo-plant --size demo --seed 1 --ends-on today"
)
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--size", "preset", type=click.Choice(sorted(SIZES)), default="demo", show_default=True
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@click.option("--lines", type=int, help="Number of lines.")
@click.option("--bodymakers", type=int, help="Bodymakers per line.")
@click.option("--days", type=int, help="Days of history.")
@click.option("--pallet-days", type=int, help="Days at the end for which pallets are written.")
@click.option("--ends-on", metavar="DATE", help="Last day, as 2026-06-30, or today.")
def main(
    folder: Path,
    preset: str,
    seed: int,
    lines: int | None,
    bodymakers: int | None,
    days: int | None,
    pallet_days: int | None,
    ends_on: str | None,
) -> None:
    """Simulate a can plant and write it into FOLDER as a plant folder."""
    usual = SIZES[preset]
    try:
        size = replace(
            usual,
            lines=usual.lines if lines is None else lines,
            bodymakers=usual.bodymakers if bodymakers is None else bodymakers,
            days=usual.days if days is None else days,
            pallet_days=usual.pallet_days if pallet_days is None else pallet_days,
        )
        size = _ending(size, ends_on)
    except ValueError as problem:
        raise click.UsageError(str(problem)) from None
    from seed_demo.folder import write_folder
    from seed_demo.simulate import simulate

    plant = simulate(size, seed)
    write_folder(plant, folder)
    rows = sum(len(table.rows) for table in plant.tables)
    click.echo(f"{rows} rows in {len(plant.tables)} files, and plant.toml, written to {folder}")
    for fault in plant.faults:
        click.echo(f"planted: {fault.kind} {fault.name}: {fault.sentence}")


def _ending(size: PlantSize, ends_on: str | None) -> PlantSize:
    if ends_on is None:
        return size
    if ends_on == "today":
        return size.ending_at(datetime.now(UTC))
    try:
        return replace(size, ends_on=date.fromisoformat(ends_on))
    except ValueError:
        raise ValueError(f"'{ends_on}' is not a date; write it as 2026-06-30, or today") from None


if __name__ == "__main__":
    main()
