"""Work shared out to processes: each takes every n-th seed."""

import argparse
import multiprocessing
from collections.abc import Callable


def share_out(work: Callable[[argparse.Namespace, int], None], args: argparse.Namespace) -> None:
    """Call `work(args, job)` for each of `args.jobs` jobs: here for one, in a process of its own for each of more."""
    if args.jobs == 1:
        work(args, 0)
        return
    context = multiprocessing.get_context("spawn")
    if args.jobs < 1:
        raise SystemExit(f"--jobs {args.jobs}: no process would work; give 1 or more")
    crew = [context.Process(target=work, args=(args, job)) for job in range(args.jobs)]
    for process in crew:
        process.start()
    for process in crew:
        process.join()
