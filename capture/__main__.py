"""``python -m capture`` is the command ``benchwitness``."""

from capture.cli import main

main()
