"""Stage ``write_template``: one drawing, transcribed into files."""
