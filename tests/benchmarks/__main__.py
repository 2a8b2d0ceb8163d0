"""Benchmarks: ratios of times within one run, beside the accuracy asserted in it.

``python -m tests.benchmarks`` runs them all, ``python -m tests.benchmarks frames`` one.
A missed aim is shown, not an error; a wrong number is an error. To add one, write a
function that returns a list of :class:`~tests.benchmarks.timing.Result` and list it here.
"""

import argparse
import sys

from tests.benchmarks import bench_trace, bootstraps, commands, folds, responses, ring_sums

BENCHMARKS = (
    ring_sums.new_center,
    ring_sums.more_radii,
    ring_sums.fixed_center,
    bootstraps.photons,
    bootstraps.frames,
    bench_trace.rays_in_space,
    bench_trace.ray_memory,
    folds.quadrature,
    folds.ladder,
    folds.replicates,
    folds.families,
    responses.area_curves,
    commands.start_up,
    commands.quick_look,
    commands.measurement,
    commands.panel_move,
    commands.whole_reduction,
    commands.memory,
)


def main() -> None:
    names = {benchmark.__name__: benchmark for benchmark in BENCHMARKS}
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks")
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(names))
    chosen = parser.parse_args().names or list(names)
    unknown = sorted(set(chosen) - set(names))
    if unknown:
        parser.error(
            f"no benchmark named {', '.join(unknown)}; there are {', '.join(names)}"
        )
    sys.stdout.write("| work | aim | measured | | accuracy asserted in the same run |\n")
    sys.stdout.write("|---|---|---|---|---|\n")
    for name in chosen:
        for result in names[name]():
            word = "met" if result.met else "**missed**"
            sys.stdout.write(
                f"| {result.work} | {result.aim} | {result.measured} | {word} "
                f"| {result.accuracy} |\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
