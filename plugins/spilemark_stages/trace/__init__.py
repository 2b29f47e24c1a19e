"""Tracing the cut outline and the pencil lines of a pattern in a photo."""
