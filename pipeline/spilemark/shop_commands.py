"""The commands before and after the pattern, for the command line to take in."""

from __future__ import annotations

import click

from spilemark.commands.allow import allow
from spilemark.commands.bevel import bevel
from spilemark.commands.board import board
from spilemark.commands.compare import compare
from spilemark.commands.fitted import fitted
from spilemark.commands.horn import horn
from spilemark.commands.laminate import laminate
from spilemark.commands.record import record
from spilemark.commands.trial import trial

SHOP_COMMANDS: tuple[click.Command, ...] = (
    horn,
    bevel,
    allow,
    fitted,
    compare,
    board,
    laminate,
    trial,
    record,
)
