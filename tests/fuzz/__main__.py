"""`python -m tests.fuzz [COUNT] [SEED] [TARGET…]`: run mutants; keep what breaks something."""

from __future__ import annotations

import hashlib
import random
import resource
import sys
import time
import traceback
from pathlib import Path

from imgaudit.formats import identify
from imgaudit.formats.view import View
from tests.fuzz.mutate import mutated
from tests.fuzz.seeds import seeds
from tests.fuzz.targets import TARGETS, run

CORPUS = Path(__file__).parent / "corpus"
SLOW = 2.0
# Whole audits cost as much as a hundred readers: of twenty inputs one goes to them.
WHOLE = ("audit", "inspect")


def main(count: int = 10_000, seed: int = 1, *only: str) -> int:
    dice = random.Random(seed)
    pool = list(seeds().values())
    small = [name for name in TARGETS if name not in WHOLE]
    # A reader turns most of what is not its own away at once.
    fits = {
        data: [f"reader-{reader.name}" for _, reader in identify(View.of(data))] for data in pool
    }
    faults, slowest, began = 0, (0.0, ""), time.process_time()
    for number in range(count):
        whole = dice.random() < 0.05
        seed_data = dice.choice(pool)
        fitting = fits[seed_data] if dice.random() < 0.8 else ()
        target = dice.choice(only or (WHOLE if whole else fitting or small))
        data = mutated(seed_data, dice, pool)
        before = time.process_time()
        try:
            run(target, data)
        except Exception:  # noqa: BLE001 - each is a fault to be kept
            faults += 1
            traceback.print_exc(limit=-4)
            _keep(target, data)
        took = time.process_time() - before
        if took > slowest[0]:
            slowest = (took, target)
        if took > SLOW:
            faults += 1
            _keep(target, data)
        if number % 10_000 == 9_999:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
            spent = time.process_time() - began
            sys.stdout.write(
                f"{number + 1:,} inputs, {spent:,.0f} s of processor time, {faults} faults,"
                f" slowest {slowest[0]:.2f} s ({slowest[1]}), peak {peak} MiB\n"
            )
            sys.stdout.flush()
    return 1 if faults else 0


def _keep(target: str, data: bytes) -> None:
    name = f"{target}-{hashlib.sha256(data).hexdigest()[:12]}"
    (CORPUS / name).write_bytes(data)
    sys.stdout.write(f"kept {name}\n")


if __name__ == "__main__":
    given = (*sys.argv[1:3], *("10000", "1")[len(sys.argv) - 1 :])
    sys.exit(main(int(given[0]), int(given[1]), *sys.argv[3:]))
