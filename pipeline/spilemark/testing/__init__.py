"""Known truth for those who write or judge plug-ins.

``shapes``, ``bench``
    outlines of common parts; cards as they lie; where a camera stands
``simulator``
    an exact camera without images: worlds drawn by chance, and what a card
    finder and a tracer would measure in them
``scenes``
    small drawn photos, exact to the pixel's covered area
``studio_truth``
    the truth files that stand beside rendered benchmark photos
``metrics``
    how a result is judged against truth
"""
