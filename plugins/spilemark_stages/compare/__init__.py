"""Stage ``compare``: port against mirrored starboard."""
