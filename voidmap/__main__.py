"""``python -m voidmap`` does what ``voidmap`` does."""

from voidmap.cli import main

main()
