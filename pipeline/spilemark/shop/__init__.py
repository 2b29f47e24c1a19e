"""Plain shop sums: what comes before and after the pattern.

Horning a hull, bevels, allowances, and what was planed off: pure functions and
frozen records in millimetres and degrees.  Nothing here knows of photographs.
Each function names where its formula comes from; "own derivation" means that it
was derived for this project and is checked in the tests by another way.
"""
