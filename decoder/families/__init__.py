"""The decoder families, one module each; `catalog` finds them."""
