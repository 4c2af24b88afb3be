"""The office's path in order: gather, reconcile, check, assemble, seal.

Knows the order and nothing of what happens in a stage.

>>> from beadroll.handover.build import build                     # doctest: +SKIP
>>> build(Path("vallmora"), Period.of_week("2031-W14"), Path("out"))
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TypedDict, Unpack

from beadroll import rules
from beadroll.errors import MachineError
from beadroll.handover.assembling import places
from beadroll.handover.assembling.assemble import assemble
from beadroll.handover.assembling.pages import write_transmittal
from beadroll.handover.assembling.papers import Pages
from beadroll.handover.check import Rules, check
from beadroll.handover.gathering.gather import gather
from beadroll.handover.reconciling.reconcile import reconcile
from beadroll.handover.stages import Assembled, Checked
from beadroll.images import Codec
from beadroll.package.digests import Progress
from beadroll.package.layout import Form
from beadroll.package.write import Sealer
from beadroll.record.handover import Handover, Period, Previous


class Choices(TypedDict, total=False):
    """What may be chosen of the assembling; each is as ``assemble`` takes it."""

    codec: Codec | None
    threads: int
    sealer: Sealer | None
    progress: Progress | None
    pages: Pages | None
    replace_existing: bool


def prepare(
    folder: Path,
    period: Period,
    *,
    handover_number: str = "",
    dated: date | None = None,
    previous: Previous | None = None,
    check_by: Sequence[Rules] = (rules.check,),
) -> Checked:
    """Gather, reconcile and check a period of a job folder; nothing of the delivery is written.

    ``handover_number``, ``dated`` and ``previous`` are as in ``gather``. Raises ``InputError`` and ``MachineError`` as
    ``gather`` and ``reconcile`` do.
    """
    gathered = gather(folder, period, handover_number=handover_number, dated=dated, previous=previous)
    return check(reconcile(gathered), rules=check_by)


def build(
    folder: Path,
    period: Period,
    out: Path,
    *,
    form: Form = Form.ZIP,
    dated: date | None = None,
    previous: Previous | None = None,
    **choices: Unpack[Choices],
) -> Assembled:
    """Build the package of a period into ``out``, sealed where a ``sealer`` is chosen, its transmittal beside.

    ``out`` is made where it is missing; ``dated`` and ``previous`` are as in ``gather``. Raises ``NotReady`` with the
    report while findings stop the handover, and ``InputError`` or ``MachineError`` as the stages do; then nothing is
    left in ``out``.
    """
    checked = prepare(folder, period, dated=dated, previous=previous)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MachineError(
            f"{out}: could not be made: {error.strerror or error}", remedy="Name a folder you may write in."
        ) from error
    made = assemble(
        checked,
        destination(out, checked.reconciled.gathered.handover, form),
        form=form,
        **choices,
    )
    write_transmittal(made, folder)
    return made


def destination(out: Path, handover: Handover, form: Form) -> Path:
    """Return where the package of a handover lies in a folder of packages."""
    name = places.package_name(handover)
    return out / (name if form is Form.FOLDER else f"{name}.zip")
