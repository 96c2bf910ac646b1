"""`python -m toothwise`, where the command itself is not on the path."""

import sys

from toothwise.cli import main

sys.exit(main())
