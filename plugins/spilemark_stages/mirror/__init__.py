"""Mirroring one side onto the other."""
