"""`lehrbook trace`: episodes of a line, where and when they were made, and what happened then."""

import argparse
import json
import sys
from typing import Any


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "trace",
        help="trace recurring defects back to the furnace period",
        description="Find episodes of defects on the ribbon and trace them back."
        " What fits in time is an association, never a proof of cause.",
    )
    parser.add_argument("--kind", help="show episodes of this kind only")
    parser.add_argument(
        "--from", dest="start", metavar="T", help="show episodes that end after this time (ISO 8601)"
    )
    parser.add_argument("--to", dest="end", metavar="T", help="show episodes that begin before this time")
    parser.add_argument("--line", help="name of the line; not needed where there is one only")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Trace and print."""
    from models.clock import parse_time
    from models.database import reading
    from models.errors import BadValue
    from models.tracing import plant_clock, shown_episodes, the_line, trace_line
    from webapp.plant import open_plant

    start = parse_time(args.start, where="--from") if args.start else None
    end = parse_time(args.end, where="--to") if args.end else None
    if start is not None and end is not None and end <= start:
        raise BadValue("--to lies at or before --from; expected a stretch of time")
    plant = open_plant(args.settings, told=sys.stderr.write)
    with reading(plant.sessions) as session:
        line = the_line(session, args.line)
        traced = trace_line(session, line.id, start, end)
        when = plant_clock(line.time_zone)
    said = traced.result.as_json(when)
    said["residence_from"] = {
        section: f"tracer run {traced.loaded.tracer_runs[section]}"
        if section in traced.loaded.tracer_runs
        else "plant figures"
        for section in ("melter", "refiner")
    }
    said["episodes"] = [said["episodes"][n] for n in shown_episodes(traced, args.kind)]
    if args.json:
        json.dump(said, sys.stdout, indent=1)
        sys.stdout.write("\n")
        return 0
    _print(said)
    return 0


def _print(said: dict[str, Any]) -> None:
    looked = said["looked_at"]
    area = f"{looked['inspected_m2']:.0f} m2"
    print(f"{looked['defects']} defects on {area} from {looked['start']} to {looked['end']}")
    if "note" in looked:
        print(looked["note"])
    for section, source in said["residence_from"].items():
        if source != "plant figures":
            print(f"how long glass stays in the {section}: {source}")
    for step in said["clock_steps"]:
        print(f"clock ran {step['step_s'] / 60:+.0f} min from {step['start']} to {step['end']}: corrected")
    for gap in said["uninspected"]:
        print(
            f"nothing found from {gap['start']} to {gap['end']} on {gap['sheets']} sheets, where defects are"
            " usual: taken as not looked at, left out"
        )
    if not said["episodes"]:
        print("No episodes: nothing rises above the background.")
    for episode in said["episodes"]:
        _print_episode(episode)
    print("\nAn entry that fits in time is an association, not a proof of cause.")


def _print_episode(e: dict[str, Any]) -> None:
    counted = f"{e['count']} where {e['expected']:.0f} are usual (p {e['p_value']:.2g})"
    chance = f"{e['section_weights'][e['origin_section']]:.0%}"
    print(f"\n{e['kind']}, x {e['x_lo_mm']:.0f} to {e['x_hi_mm']:.0f} mm, {e['course']}")
    print(f"  seen      {e['seen_start']} to {e['seen_end']}: {counted}")
    print(f"  made      {e['origin_section']} ({chance}), {e['origin_start']} to {e['origin_end']}")
    if e["pitch_mm"] is not None:
        roll = e["roll"] or "not in the list"
        other = f", next best {e['next_roll']}" if e["next_roll"] else ""
        print(f"  pitch     {e['pitch_mm']:.2f} mm (+/- {e['pitch_se_mm']:.2g}); roll {roll}{other}")
    for event in e["ranked_events"][:3]:
        print(f"  at that time  {event['event_id']} (weight {event['weight']:.2f})")
    for x in e["ranked_excursions"][:2]:
        print(f"  at that time  {x['tag']} from {x['start']} to {x['end']} (weight {x['weight']:.2f})")
    print(f"  none of these (weight {e['none_of_these_weight']:.2f})")
