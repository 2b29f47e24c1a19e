"""A laminated knee worked out: from its outline and order to form, strips and corner block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spilemark.blank.corner_block import CornerBlock, corner_block
from spilemark.blank.curves import FairedCurve, Floats, faired
from spilemark.blank.form import Form, make_form
from spilemark.blank.lamination import Lamination, laminate
from spilemark.blank.orders import LaminationOrder
from spilemark.blank.strip_list import StripList, strip_list
from spilemark.shop.outlines import ShopOutline


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaminatedKnee:
    """All that a laminated knee needs, in the frame of its outline."""

    name: str
    order: LaminationOrder
    outline: ShopOutline | None
    """The finished part; None where only a throat curve was told."""
    throat: FairedCurve
    lamination: Lamination
    form: Form
    strips: StripList
    block: CornerBlock | None
    """None without an outline, or where the lamination fills the corner."""

    @property
    def band_mm(self) -> Floats:
        """Ring (N, 2) of the blank as wanted: outside, then inside back."""
        return np.vstack(
            [self.lamination.outside().points_mm(), self.lamination.inside().points_mm()[::-1]]
        )


def laminate_part(
    outline: ShopOutline, order: LaminationOrder, cutting_mm: Floats | None = None
) -> LaminatedKnee:
    """Work out the lamination of a part whose throat is a named edge.

    Parameters
    ----------
    outline : ShopOutline
        The finished part, as the face on which the pattern lay.
    order : LaminationOrder
    cutting_mm : (N, 2), optional
        What has to come out of the wood, with its larger face and its
        allowances: the corner block must hold that.  Default: the outline.

    Raises
    ------
    UsageError
        No edge of that name, a kink in it, or a bend that cannot be.
    """
    edge = outline.edge(order.throat)
    curve = faired(outline.points_mm[outline.indices(edge)])
    knee = laminate_curve(curve, order, outline.name)
    around = outline.points_mm if cutting_mm is None else cutting_mm
    block = corner_block(around, knee.lamination.outside(), order.block_mm)
    return LaminatedKnee(
        name=knee.name,
        order=order,
        outline=outline,
        throat=curve,
        lamination=knee.lamination,
        form=knee.form,
        strips=knee.strips,
        block=block,
    )


def laminate_curve(
    throat: FairedCurve, order: LaminationOrder, name: str = "knee"
) -> LaminatedKnee:
    """Work out a lamination from its throat curve alone.

    Raises
    ------
    UsageError
        A bend that cannot be.
    """
    found = laminate(
        throat.curve, order.strips, arms_mm=(order.arms_mm, order.arms_mm), factor=order.factor
    )
    form = make_form(found, order.form)
    strips = strip_list(
        order.strips.thicknesses_mm, found.outside_length_mm(), len(form.clamps_mm), order.cutting
    )
    return LaminatedKnee(
        name=name,
        order=order,
        outline=None,
        throat=throat,
        lamination=found,
        form=form,
        strips=strips,
        block=None,
    )
