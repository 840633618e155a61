"""``python -m tests.accuracy [--quick] [AREA...]``: run the suite, print the table, write the report."""

from __future__ import annotations

import argparse

from tests.accuracy.suite import REPORT, plain_table, report, scores


def main() -> None:
    """Run the suite; the quick one only prints."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=main.__doc__)
    parser.add_argument("--quick", action="store_true", help="small fleets, nothing written")
    parser.add_argument("areas", nargs="*", help="print these areas only")
    asked = parser.parse_args()
    rows = scores(asked.quick)
    if not asked.quick:
        REPORT.parent.mkdir(exist_ok=True)
        REPORT.write_text(report(rows), encoding="utf-8")
    print(plain_table([r for r in rows if not asked.areas or r.area in asked.areas]))


if __name__ == "__main__":
    main()
