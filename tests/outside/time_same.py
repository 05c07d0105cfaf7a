"""Times an outside numerical library on the samples that `cargo bench --bench ratios` measures.

    time_same.py FOLDER TRIES

FOLDER holds NAME.f64 files: the sampling interval in seconds, then the samples, as 64-bit floats; those of several
captures follow each other. Prints one JSON object a line: the case, by which functions, the best time of TRIES, and
what came out. The cases are in `same/`.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np

sys.dont_write_bytecode = True
from same import CASES, levels, sound, tracking, trains, video  # noqa: E402, F401


def main():
    folder, tries = Path(sys.argv[1]), int(sys.argv[2])
    for path in sorted(folder.glob("*.f64")):
        data = np.frombuffer(path.read_bytes(), dtype="<f8")
        dt, values = float(data[0]), data[1:].copy()
        for how, function, prepare in CASES.get(path.stem, []):
            more = (prepare(values),) if prepare else ()
            times = []
            for _ in range(tries):
                start = time.perf_counter()
                result = function(values, dt, *more)
                times.append(time.perf_counter() - start)
            row = {"of": path.stem, "how": how, "best_s": min(times), "result": [float(v) for v in result]}
            print(json.dumps(row))


main()
