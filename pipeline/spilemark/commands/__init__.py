"""The commands, one module each; what is heavy is imported when a command runs."""

from __future__ import annotations

from typing import Any

import click


class Examples(click.Command):
    """A command whose help ends with examples to copy, a line each."""

    def __init__(self, *args: Any, examples: tuple[str, ...] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.examples = examples

    def format_epilog(
        self,
        ctx: click.Context,  # noqa: ARG002 - the parent's signature
        formatter: click.HelpFormatter,
    ) -> None:
        """Write the examples unwrapped, so that they can be copied."""
        with formatter.section("Examples"):
            for line in self.examples:
                formatter.write(f"  {line}\n")
