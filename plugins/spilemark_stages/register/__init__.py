"""Laying a pattern on its reference line, in the boat frame."""
