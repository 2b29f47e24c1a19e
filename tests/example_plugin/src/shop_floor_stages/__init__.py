"""Example plug-ins by somebody else."""
