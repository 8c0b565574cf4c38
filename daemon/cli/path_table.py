"""The path of a calculation as people read it: each quantity with value, doubt and how it came about."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from config.quantities import Quantity
    from config.units import DisplayUnit


def path_table(
    rows: Iterable[tuple[str, Quantity, float | None, float | None, str]],
    units: dict[Quantity, DisplayUnit],
    remark: str,
) -> Table:
    """Return the table of a calculation's path.

    Parameters
    ----------
    rows : iterable of tuple
        What, its quantity, its value and standard deviation in SI (``None``: none), and how it came about.
    units : dict
        How each quantity is shown.
    remark : str
        Heading of the last column.
    """
    from rich.table import Table

    table = Table(title="Path of the calculation", title_justify="left", box=None, pad_edge=False)
    table.add_column("what")
    table.add_column("value", justify="right")
    table.add_column("one standard deviation", justify="right")
    table.add_column(remark)
    for name, quantity, value, deviation, how in rows:
        unit = units[quantity]
        shown = "-" if value is None else unit.format(value)
        table.add_row(name, shown, "" if deviation is None else plus_minus(deviation, unit), how)
    return table


def plus_minus(deviation: float, unit: DisplayUnit) -> str:
    """Write a standard deviation, which has no offset."""
    return f"± {deviation / unit.conversion.factor:.{unit.decimals}f} {unit.symbol}"


def print_cautions(console: Console, cautions: Iterable[str]) -> None:
    """Print what a reader must bear in mind."""
    console.print("\nCautions")
    for caution in cautions:
        console.print(f"- {caution}", markup=False, highlight=False)
