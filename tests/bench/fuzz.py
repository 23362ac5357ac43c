"""Fuzz every parser that octets from outside reach: ``python tests/bench/fuzz.py [EXECUTIONS] [SEED] [WORDS]``.

By default a million executions, shared evenly; 10,000,000 take some ten minutes of one core. Inputs are sound ones with
changes, and now and then what an earlier change made and the parser took, so that changes add up. It ends by itself and
prints for each parser how many were fed, taken, and how fast; an exception that no caller expects ends it, with the
octets, and exit code 1. With ``--coverage`` and the package atheris changes are guided by the branches that they reach.
"""

from __future__ import annotations

import random
import sys
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

KEPT = 200


def plain(executions: int, seed: int, words: str) -> int:
    from fuzz_targets import TARGETS, mutated

    chosen = [target for target in TARGETS if words in target.name]
    share = executions // len(chosen)
    print(f"{'parser':<36}{'executions':>12}{'taken':>11}{'a second':>10}", flush=True)
    total = 0
    for target in chosen:
        rng = random.Random(f"{seed} {target.name}")
        corpus = list(target.seeds)
        taken, started = 0, time.perf_counter()
        for _ in range(share):
            data = mutated(rng.choice(corpus), rng)
            try:
                accepted = target.execute(data)
            except Exception:
                traceback.print_exc()
                print(f"{target.name}: {data!r}")
                return 1
            if accepted:
                taken += 1
                if rng.random() < 0.01:
                    place = len(target.seeds) + rng.randrange(KEPT)
                    corpus[place : place + 1] = [data]
        total += share
        rate = share / (time.perf_counter() - started)
        print(f"{target.name:<36}{share:>12,}{taken:>11,}{rate:>10,.0f}", flush=True)
    print(f"{total:,} executions, nothing unexpected")
    return 0


def guided(executions: int, words: str) -> int:
    import atheris

    with atheris.instrument_imports(include=["noonmark"]):
        from fuzz_targets import TARGETS
    chosen = [target for target in TARGETS if words in target.name]

    def one(data: bytes) -> None:
        if data:
            chosen[data[0] % len(chosen)].execute(data[1:])

    atheris.Setup([sys.argv[0], f"-runs={executions}", "-max_len=1024"], one)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    arguments = [argument for argument in sys.argv[1:] if argument != "--coverage"]
    numbers = [int(argument) for argument in arguments if argument.isdigit()]
    words = " ".join(argument for argument in arguments if not argument.isdigit())
    count, first = (numbers + [1_000_000, 1][len(numbers) :])[:2]
    raise SystemExit(guided(count, words) if "--coverage" in sys.argv else plain(count, first, words))
