"""Stage ``undistort``: what is believed of the lens before any card is seen."""
