"""Spilemark: true-scale templates of hull patterns from photographs.

Importing this package loads nothing heavy; see ``spilemark.cli`` for the
command and ``spilemark.conductor`` for running the pipeline from a program.
"""

__version__ = "0.1.0"
