"""The built-in stages: one folder a stage, one module a method.

They use the public names of ``spilemark`` only, and are found through the same
entry points as anybody else's plug-ins.
"""
