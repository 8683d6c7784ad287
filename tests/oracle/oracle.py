"""A second, slow judge of due dates and fitness.

Checks `clampward-domain` (fold and standing) against a reading of the trade's rules that shares no code with it:
civil days by zoneinfo, months by dateutil, no state carried along. Every question looks at the bare facts again.

Reads JSON lines from the example `histories` of the domain crate: a header (catalogue of criteria, zones, release of
the zone database), then one history a line with facts, queries and the domain's answers. A fact says what was done,
by whom and when, never what it came to. On a disagreement the seed, the history and both answers are printed and the
exit code is 1. The last line is `N passed, M failed`.

Sources: ASME B30.20 20-1.3 (intervals, not in regular use, repair), LOLER 1998 regs. 9 and 10 and Schedule 1, DGUV
guidance (yearly, dismantled); where these are silent, the project's own practice.
"""

import importlib.resources
import json
import sys
import zoneinfo
from bisect import bisect_right
from datetime import date, datetime, timezone
from functools import lru_cache

from dateutil.relativedelta import relativedelta

zoneinfo.reset_tzpath(to=())  # the pinned tzdata package only, never the machine's own files
SCOPES = ["frequent", "periodic", "dismantled", "crack_test"]
KINDS_OF_BOTH_CLOCKS = {"initial", "periodic", "after_repair", "exceptional"}
TAKEN_APART = {"shock", "overload", "drop", "heat"}
US = {"normal": ("P1M", "P1Y"), "heavy": ("P7D", "P6M"), "severe": ("PT24H", "P3M")}  # frequent, periodic
FAR = 253402300799  # the end of the year 9999


@lru_cache(maxsize=None)
def zone(name):
    return zoneinfo.ZoneInfo(name)


@lru_cache(maxsize=500_000)
def day(name, at):
    """The civil day in a zone at an instant."""
    return datetime.fromtimestamp(at, zone(name)).date()


@lru_cache(maxsize=100_000)
def late_from(name, last):
    """The first second at which a thing due on `last` is late: tried by the quarter of an hour, minute and second."""
    at = int(datetime(last.year, last.month, last.day, tzinfo=timezone.utc).timestamp()) - 16 * 3600
    for step in (900, 60, 1):
        while day(name, at) <= last:
            at += step
        at -= step
    return at + 1


def plus(anchor, interval):
    """`anchor` + P6M, P7D, P1Y: always from the anchor, the last day of a shorter month."""
    n, unit = int(interval[1:-1]), interval[-1]
    return anchor + relativedelta(**{{"D": "days", "M": "months", "Y": "years"}[unit]: n})


def end(name, anchor, interval):
    """(first late second, last day or None) of an interval that began at `anchor`, an (instant, day there)."""
    if interval.startswith("PT"):
        return anchor[0] + 3600 * int(interval[2:-1]), None
    last = plus(anchor[1], interval)
    return late_from(name, last), last


class Clamp:
    """One history, and what it says at an instant, known from the facts up to then."""

    def __init__(self, history, catalogue):
        self.h, self.catalogue = history, catalogue
        self.moments = [fact["at"] for fact in history["facts"]]
        self.once = {}  # answers that depend on a fact alone: a saving of time, not a state
        # Nobody's word counts from a yard in which the clamp had not been by then.
        been = {history["facts"][0]["yard"]}
        for fact in history["facts"]:
            fact["signed"] = fact["signed"] and fact["yard"] in been
            been |= {fact["to_yard"]} if fact["kind"] == "transferred" and fact["signed"] else set()

    # Reference data ------------------------------------------------------------------------------------------
    def yard(self, name, at):
        versions = self.h["yards"][name]
        return ([v for v in versions if v["from"] <= at] or versions[:1])[-1]

    def when(self, fact):
        """The instant of a fact and its civil day in the yard where it happened."""
        return fact["at"], day(self.yard(fact["yard"], fact["at"])["zone"], fact["at"])

    def competent(self, fact, kind, known_at=None):
        on = self.when(fact)[1].isoformat()
        return fact["signed"] and any(
            c["kind"] == kind and c["from"] <= on <= (c["until"] or "9999-12-31")
            and not (c["revoked_from"] and c["revoked_from"] <= on)
            and (known_at is None or c["recorded_at"] <= known_at)
            for c in self.h["people"][fact["by"]]["competences"])

    # Inspections ---------------------------------------------------------------------------------------------
    def grade(self, fact, finding):
        """None, "danger", or the last day of use (only where `danger_by` is allowed)."""
        if finding["outcome"] != "reject":
            return None
        here = self.yard(fact["yard"], fact["at"])
        today = day(here["zone"], fact["at"])
        allowed = (finding.get("grade") == "danger_by" and here["rule_set"] == "gb-loler"
                   and self.competent(fact, "qualified_person", fact["at"])
                   and (fact.get("basis") or fact["inspection"] == "frequent"))
        if allowed:
            by_date = date.fromisoformat(finding["by_date"])
            latest = fact.get("next_latest_date")
            legal = plus(today, "P6M")
            latest = min(date.fromisoformat(latest), legal) if latest else legal
            if today <= by_date <= latest:
                return by_date
        return "danger"

    def complete(self, fact, at_least="frequent"):
        rule_set = self.yard(fact["yard"], fact["at"])["rule_set"]
        kind = fact["inspection"]
        scope = "periodic" if kind in KINDS_OF_BOTH_CLOCKS and fact["reason"] != "precaution" else "frequent"
        if (rule_set == "de-dguv" and kind == "periodic") or fact.get("reason") in TAKEN_APART:
            scope = "dismantled"
        if fact["crack_tested"]:
            scope = "crack_test"  # who tests for cracks says what the test showed
        scope = max(scope, at_least, key=SCOPES.index)
        for code, criterion in self.catalogue.items():
            needed = SCOPES.index(criterion["scope"]) <= SCOPES.index(scope)
            asked = SCOPES.index(criterion["scope"]) <= SCOPES.index(fact["accepted_through"])
            outcome = fact["except"][code]["outcome"] if code in fact["except"] else asked and "accept"
            if needed and outcome not in ("accept", "reject"):
                return False
        if fact["reason"] in TAKEN_APART:
            return fact["dismantled"] and bool(fact["crack_tested"] or fact["no_crack_test_reason"])
        return True

    def accepted(self, fact):
        return self.complete(fact) and all(self.grade(fact, f) != "danger" for f in fact["except"].values())

    def remembered(self, what, fact):
        key = what.__name__, fact["n"]
        if key not in self.once:
            self.once[key] = what(fact)
        return self.once[key]

    def credited(self, fact):
        designated = fact["inspection"] not in KINDS_OF_BOTH_CLOCKS or fact["reason"] == "precaution"
        able = self.competent(fact, "qualified_person") or designated and self.competent(fact, "designated_person")
        own_repair = fact["cites"] is not None and self.h["facts"][fact["cites"]]["by"] == fact["by"]
        return able and self.accepted(fact) and not own_repair and fact["basis"] != "limb_ii"

    def both_clocks(self, fact):
        """A credited inspection that starts both clocks; out of precaution only a qualified person's in full scope."""
        return fact["inspection"] in KINDS_OF_BOTH_CLOCKS and (
            fact["reason"] != "precaution"
            or self.competent(fact, "qualified_person") and self.complete(fact, "periodic"))

    def thorough(self, fact):
        """Made as a thorough examination (its scope, its person) and reported as one (its basis)."""
        return (fact["basis"] and self.credited(fact) and self.competent(fact, "qualified_person")
                and self.complete(fact, "periodic"))

    # Lock-outs -----------------------------------------------------------------------------------------------
    def lockouts_after(self, last):
        return self.lockouts(self.h["facts"][:last["n"] + 1])

    def lockouts(self, facts):
        """{(fact, what): [first barring second, closed at or FAR]}: what was opened, and what a return closed."""
        found = {}
        for fact in facts:
            at, n, kind = fact["at"], fact["n"], fact["kind"]
            if kind == "inspected":
                for code, finding in fact["except"].items():
                    grade = self.grade(fact, finding)
                    if grade:
                        zone_there = self.yard(fact["yard"], at)["zone"]
                        found[n, code] = [at if grade == "danger" else late_from(zone_there, grade), FAR]
            elif kind == "tagged_out":
                found[n, fact["reason"]] = [at, FAR]
            elif kind == "repaired":
                found[n, "not_reinspected"] = [at, FAR]
                if not fact["original_parts"]:
                    found[n, "foreign_part"] = [at, FAR]
            elif kind == "used" and any(a < at and fact["from"] < z for a, z in found.values()):
                found[n, "used_while_not_fit"] = [at, FAR]
            elif kind == "returned_to_service":
                for release in fact["releases"]:
                    key = tuple(release["lockout"])
                    if key in found and found[key][1] == FAR and self.supported(fact, release, key):
                        found[key][1] = at
        return found

    def supported(self, back, release, key):
        """Whether a release has its ground: who, and the evidence after the lock-out, as known when signed."""
        facts, signed_at = self.h["facts"], back["at"]
        inspection = release["inspection"] is not None and facts[release["inspection"]]
        repair = release["repair"] is not None and facts[release["repair"]]
        opener = facts[key[0]]
        if not self.competent(back, "qualified_person", signed_at) or not inspection:
            return False
        if not {"yard_lead", "safety"} & set(self.h["people"][back["by"]]["roles"]):
            return False
        made = [facts[r["repair"]]["by"] for r in back["releases"] if r["repair"] is not None]
        qualified = self.competent(inspection, "qualified_person", signed_at)
        good = opener["n"] < inspection["n"] < back["n"] and self.accepted(inspection) and back["by"] not in made
        if release["ground"] == "inspected_fit":
            named = list(key) in inspection["lockouts"] and inspection["inspection"] == "exceptional"
            cautious = inspection["reason"] == "precaution"
            if cautious and key[1] == "precaution":  # in frequent scope, also by a designated person who did not open it
                designated = self.competent(inspection, "designated_person", signed_at)
                enough = qualified or designated and opener["by"] != inspection["by"]
            elif key[1] in ("dropped", "shock_suspected", "overload_suspected"):
                enough = qualified and inspection["reason"] in TAKEN_APART
            else:
                enough = qualified and (not cautious or self.complete(inspection, "periodic"))
            return good and named and enough and opener["kind"] in ("tagged_out", "used")
        if not repair:
            return False
        good = (good and qualified and inspection["inspection"] == "after_repair" and inspection["cites"] == repair["n"]
                and repair["by"] not in (inspection["by"], back["by"]))
        if release["ground"] == "reinspected":
            return good and key == (repair["n"], "not_reinspected")
        part = opener["components"][0] if opener["kind"] == "repaired" else self.catalogue[key[1]]["component"]
        remedies = ["restore_to_original"] if opener["kind"] == "repaired" else self.catalogue[key[1]]["remedies"]
        good = (good and opener["n"] < repair["n"] and list(key) in repair["answers"]
                and repair["original_parts"] and self.competent(repair, "repair_technician", signed_at)
                and part in repair["components"])
        if release["ground"] == "restored":
            return good and repair["statement"] and "restore_to_original" in remedies
        return good and "repair" in remedies

    # Standing ------------------------------------------------------------------------------------------------
    def classes(self, facts):
        """Registration or classifications that stand: a milder class replaces only by the word of the safety role, and
        none where nobody signed."""
        order, live = ["normal", "heavy", "severe"], [facts[0]["n"]]
        for fact in (f for f in facts if f["kind"] == "classified"):
            before, after = self.h["facts"][fact["replaces"]]["service_class"], fact["service_class"]
            milder = before != after and ("special" in (before, after) or order.index(after) < order.index(before))
            safety = "safety" in self.h["people"][fact["by"]]["roles"]
            if fact["replaces"] in live and fact["signed"] and (safety or not milder):
                live.remove(fact["replaces"])
            live.append(fact["n"])
        return [self.h["facts"][n] for n in live]

    def at(self, t, known=None):
        """What is true at `t`, if nothing is recorded after `known` (the same instant, unless looking ahead)."""
        facts = self.h["facts"][:bisect_right(self.moments, t if known is None else known)]
        moves = [f["to_yard"] for f in facts if f["kind"] == "transferred"]
        yard = self.yard(moves[-1] if moves else facts[0]["yard"], t)
        inspections = [f for f in facts if f["kind"] == "inspected" and self.remembered(self.credited, f)]
        reasons, frequent, periodic = set(), [], []
        for said in self.classes(facts):  # rivals side by side: whatever bars in one of them bars
            one, sooner, later = self.clocks(t, facts, yard, said, inspections)
            reasons, frequent, periodic = reasons | one, frequent + sooner, periodic + later
        if any(late <= t for late, _, _ in frequent):
            reasons.add("frequent_overdue")
        if any(late <= t for late, _, _ in periodic):
            reasons.add("periodic_overdue")
        if any(a <= t < z for a, z in self.remembered(self.lockouts_after, facts[-1]).values()):
            reasons.add("tagged_out")
        if any(f["kind"] == "retired" for f in facts):
            reasons.add("retired")
        # Said by nobody who signed for it, it bars, and the clamp stays in the fleet.
        left = reasons - (set() if any(f["kind"] == "retired" and f["signed"] for f in facts) else {"retired"})
        before_service = ("retired", "tagged_out", "awaiting_initial_inspection")
        status = next((word for word in before_service if word in left), "in_service")
        return {"fit": not reasons, "status": status, "reasons": reasons, "frequent": frequent, "periodic": periodic}

    def clocks(self, t, facts, yard, said, inspections):
        """Reasons, and what is due (first late second, last day, whose rule), in this yard and service class."""
        rules, name, service = yard["rule_set"], yard["zone"], said["service_class"]
        reasons, frequent, periodic = set(), [], []
        both = [f for f in inspections if self.remembered(self.both_clocks, f)]
        thorough = [f for f in inspections if self.remembered(self.thorough, f)]
        uses = [f for f in facts if f["kind"] == "used"]
        last = inspections and self.when(inspections[-1])
        last_periodic = both and self.when(both[-1])
        if rules == "gb-loler":
            last_periodic = thorough and self.when(thorough[-1])
            if thorough:
                scheme = facts[0]["scheme"]
                in_force = scheme and scheme["valid_from"] <= last_periodic[1].isoformat()
                # One that nobody signed for only shortens.
                shorter = in_force and plus(last_periodic[1], scheme["interval"]) < plus(last_periodic[1], "P6M")
                in_force = in_force and (facts[0]["signed"] or shorter)
                legal = (scheme["interval"], "scheme") if in_force else ("P6M", "rule_set")
                periodic.append((*end(name, last_periodic, legal[0]), legal[1]))
                if thorough[-1]["next_latest_date"]:
                    examiner = date.fromisoformat(thorough[-1]["next_latest_date"])
                    periodic.append((late_from(name, examiner), examiner, "examiner"))
            else:
                # Anybody's word brings the examination forward; the exemption rests on what somebody signed for.
                seen = [f for f in facts if f["kind"] in ("issued", "used")]
                entered = [date.fromisoformat(d) for d in [facts[0]["put_into_service_on"]] if d]
                claimed, shown = (
                    min([day(name, f.get("from", f["at"])) for f in some] + entered, default=None)
                    for some in (seen, [f for f in seen if f["signed"]])
                )
                made = facts[0]["declared_on"]
                stated = made and facts[0]["never_used_before"] and facts[0]["signed"]
                last_start = plus(date.fromisoformat(made), "P12M") if stated else None
                if not last_start or (shown or (last_start if claimed else day(name, t))) > last_start:
                    reasons.add("awaiting_initial_inspection")
                elif claimed:
                    due_on = plus(claimed, "P6M") if shown else min(plus(claimed, "P6M"), last_start)
                    periodic.append((late_from(name, due_on), due_on, "first_use"))
        elif not both:
            reasons.add("awaiting_initial_inspection")
        elif rules == "de-dguv":
            periodic.append((*end(name, last_periodic, "P1Y"), "rule_set"))
        elif service != "special":
            periodic.append((*end(name, last_periodic, US[service][1]), "rule_set"))
        if rules == "us-b30.20" and service == "special":
            direction = said["direction"] if self.competent(said, "qualified_person", said["at"]) else None
            direction = direction or {}
            if last and direction.get("frequent"):
                frequent.append((*end(name, last, direction["frequent"]), "direction"))
            if last_periodic and direction.get("periodic"):
                periodic.append((*end(name, last_periodic, direction["periodic"]), "direction"))
            if direction.get("each_use"):
                if last and not (t < last[0] + 24 * 3600 and all(use["at"] < last[0] for use in uses)):
                    reasons.add("frequent_overdue")
            elif not (direction.get("frequent") and direction.get("periodic")):
                reasons.add("direction_missing")
        elif rules == "us-b30.20" and last and service not in yard["intervals"]["frequent"]:
            frequent.append((*end(name, last, US[service][0]), "rule_set"))
        for clock, anchor, into in (("frequent", last, frequent), ("periodic", last_periodic, periodic)):
            for who, intervals in (("yard", yard["intervals"]), ("maker", self.h["maker"])):
                if anchor and service in intervals[clock]:
                    into.append((*end(name, anchor, intervals[clock][service]), who))
        if rules == "us-b30.20" and (yard["records_use"] or service == "special"):
            reasons |= self.idle([use for use in uses if use["signed"]], day(name, t), inspections, both)
        return reasons, frequent, periodic

    def idle(self, uses, today, inspections, both):
        """A gap of a month or a year opens a demand; only an inspection from that day on closes it, use does not."""
        for i, use in enumerate(uses):
            starts = [day(self.yard(u["yard"], u["at"])["zone"], u["from"]) for u in uses[i + 1:]]
            for gap, made in (("P1M", inspections), ("P1Y", both)):
                demanded = plus(self.when(use)[1], gap)
                if min([*starts, today]) >= demanded and not any(self.when(f)[1] >= demanded for f in made):
                    return {"idle_too_long"}
        return set()


def check(clamp, t, answer, thorough_look):
    """Differences between the domain's answer and ours."""
    ours, wrong = clamp.at(t), []
    for key in ("fit", "status"):
        if ours[key] != answer[key]:
            wrong.append(f"{key}: domain {answer[key]}, oracle {ours[key]}")
    if ours["reasons"] != set(answer["reasons"]):
        wrong.append(f"reasons: domain {sorted(answer['reasons'])}, oracle {sorted(ours['reasons'])}")
    for clock in ("frequent", "periodic"):
        told, mine = answer[clock], ours[clock]
        if told is None or not mine:
            if (told is None) != (not mine):
                wrong.append(f"{clock}: domain {told}, oracle {mine}")
            continue
        first = min(late for late, _, _ in mine)
        winners = {(late, last and last.isoformat(), who) for late, last, who in mine if late == first}
        if (told["ends_at"], told["on"], told["rule"]) not in winners:
            wrong.append(f"{clock}: domain {told}, oracle {sorted(map(str, winners))}")
    until = answer["fit_until"]
    if answer["fit"] and ours["fit"]:
        horizon = until if until is not None else t + 20 * 366 * 86400
        step = 86400 if thorough_look and until else max(1, (horizon - t) // 7)
        for look in [*range(t, horizon, step), horizon - 1]:
            if not clamp.at(look, t)["fit"]:
                wrong.append(f"fit_until: domain {until}, oracle already not fit at {look}")
                break
        if until is not None and clamp.at(until, t)["fit"]:
            wrong.append(f"fit_until: domain {until}, oracle still fit then")
    elif until is not None and not answer["fit"]:
        wrong.append(f"fit_until: {until} although not fit")
    return wrong


def main(lines):
    header = json.loads(next(lines))
    release = importlib.resources.files("tzdata").joinpath("zones").parent.joinpath("__init__.py").read_text()
    if f'IANA_VERSION = "{header["zone_release"]}"' not in release:
        print(f"the domain knows zones {header['zone_release']}, tzdata says:\n{release}")
        print("0 passed, 1 failed")
        return 1
    passed = failed = questions = 0
    zones = set()
    for line in lines:
        history = json.loads(line)
        clamp = Clamp(history, header["criteria"])
        zones |= {version["zone"] for versions in history["yards"].values() for version in versions}
        wrong = []
        for i, query in enumerate(history["queries"]):
            questions += 1
            found = check(clamp, query["at"], query["answer"], (history["seed"] + i) % 29 == 0)
            wrong += [f"  at {query['at']}: {text}" for text in found]
        if wrong:
            failed += 1
            if failed <= 5:
                print(f"seed {history['seed']}:\n" + "\n".join(wrong) + f"\n  history: {line.strip()}")
        else:
            passed += 1
    unseen = sorted(set(header["zones"]) - zones)
    if unseen:
        failed += 1
        print(f"zones without a history: {', '.join(unseen)}")
    print(f"{questions} questions in {len(zones)} zones")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed or not passed else 0


if __name__ == "__main__":
    sys.exit(main(iter(sys.stdin)))
