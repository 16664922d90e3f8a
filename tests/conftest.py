"""What holds for all tests."""

import os

# Each core has a worker already: OpenBLAS's own threads would only wait for one another (as `cli` does for
# the commands).  Workers inherit it, before they import numpy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
