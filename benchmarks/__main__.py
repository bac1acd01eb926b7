"""Print size, time, accuracy, memory and ratio to the alternatives: ``python -m benchmarks [NAME ...]``."""

import sys

import numpy as np

from benchmarks import accuracy, approaches, motion, rates, risk

BENCHMARKS = {
    "motion": motion.main,
    "memory": motion.memory,
    "accuracy": accuracy.main,
    "approaches": approaches.main,
    "slow_pairs": approaches.slow_pairs,
    "rates": rates.main,
    "risk": risk.main,
}


def main(names: list[str]) -> None:
    """Run the benchmarks named, all of them without a name."""
    unknown = [name for name in names if name not in BENCHMARKS]
    if unknown:
        sys.exit(f"benchmarks: {', '.join(unknown)} unknown; there are {', '.join(BENCHMARKS)}")
    for name in names or BENCHMARKS:
        print(f"--- {name}")
        BENCHMARKS[name]()


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    main(sys.argv[1:])
