"""The blank: does the part fit the wood, how it is laminated and over-bent, and what came of it.

Plain typed functions that know nothing of photographs, as in ``spilemark.shop``.
Nothing heavy is imported before a sum needs it.
"""
