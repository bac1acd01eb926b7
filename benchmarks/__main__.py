"""Print size, time, accuracy, memory and ratio to alternatives: ``python -m benchmarks [NAME[:NUMBER ...] ...]``."""

import sys

import numpy as np

from benchmarks import accuracy, approaches, motion, order, rates, risk, study

BENCHMARKS = {
    "motion": motion.main,
    "memory": motion.memory,
    "accuracy": accuracy.main,
    "approaches": approaches.main,
    "slow_pairs": approaches.slow_pairs,
    "rates": rates.main,
    "order": order.main,
    "risk": risk.main,
    "study": study.main,
}


def main(names: list[str]) -> None:
    """Run the benchmarks named, all of them without a name; numbers after a colon are their sizes."""
    asked = [name.split(":") for name in names or BENCHMARKS]
    unknown = [name for name, *_ in asked if name not in BENCHMARKS]
    if unknown:
        sys.exit(f"benchmarks: {', '.join(unknown)} unknown; there are {', '.join(BENCHMARKS)}")
    for name, *sizes in asked:
        print(f"--- {name}")
        BENCHMARKS[name](*(int(size) for size in sizes))


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    main(sys.argv[1:])
