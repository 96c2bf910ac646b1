"""Scripts that print what things cost. Imported before numpy: its matrices stay on one thread, as in the command."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
