"""The page's own process; toothwise starts it, nobody else needs to."""

from toothwise.page.server import main

main()
