"""Imported first by every stage's script: puts workflow/ on the module path, and one thread in every library.

The stages run side by side, one job a core, so threads inside the libraries would only get in each
other's way; and sums that are split over threads would differ from machine to machine.

Nor is what is loaded looked through for garbage while it is loaded, nor ever after (files.stage.run).
"""

import gc
import os
import sys
from pathlib import Path

gc.disable()
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "workflow"))
