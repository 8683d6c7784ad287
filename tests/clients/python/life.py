"""The life of a clamp, driven by a client that is generated from the published contract and by nothing else.

The type checker proves that the generated types are usable; the run proves that the answers are what they say. The
argument is the line of JSON that `cargo xtask up --json` prints.
"""

import sys
from datetime import datetime, timezone
from uuid import UUID, uuid4

from answers import given, refused, succeeded
from clampward_client import AuthenticatedClient
from clampward_client.api.clamps import (
    fitness,
    inspect,
    issue,
    list_entries,
    register_clamp,
    repair,
    return_to_service,
)
from clampward_client.api.lift_checks import lift_check
from clampward_client.api.reference_data import list_criteria, list_models, list_yards
from clampward_client.models import (
    Angle,
    AngleUnit,
    ClampView,
    Component,
    Decision,
    EntryKind,
    EntryReply,
    EveryLiftCheck,
    Finding,
    FindingOutcome,
    Fitness,
    FitnessReason,
    Ground,
    InspectedRequest,
    InspectionKind,
    IssuedRequest,
    Length,
    LengthUnit,
    LiftCheckAnswer,
    LiftCheckRequest,
    LiftKind,
    LockoutReason,
    Part,
    PlateOfDimensions,
    RecordedAs,
    RegisterRequest,
    Release,
    RemarkCode,
    RepairedRequest,
    ReturnedToServiceRequest,
    ServiceClass,
    Status,
    Surface,
    UnmetCode,
    Verdict,
)
from demo import Demo

def now() -> datetime:
    return datetime.now(timezone.utc)


class Yard:
    """The people of one yard of the demo, signed in."""

    def __init__(self, demo: Demo) -> None:
        self.lead: AuthenticatedClient = demo.person("lead-calder-reach")
        self.inspector = demo.person("inspector-calder-reach")
        self.technician = demo.person("technician-calder-reach")
        self.operator = demo.person("operator-calder-reach")


class Life:
    """One clamp."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.clamp = uuid4()
        self.yard_id = succeeded(list_yards.sync(client=yard.lead)).items[0].id
        models = succeeded(list_models.sync(client=yard.lead, limit=200)).items
        self.model_id = next(model.id for model in models if model.model == "OK-V3")

    def fitness(self) -> Fitness:
        return succeeded(fitness.sync(self.clamp, client=self.yard.operator))

    def lift(self) -> LiftCheckAnswer:
        request = LiftCheckRequest(
            id=uuid4(),
            clamps=[self.clamp],
            plate=PlateOfDimensions(
                length=Length("6", LengthUnit.M),
                width=Length("2", LengthUnit.M),
                thickness=Length("20", LengthUnit.MM),
            ),
            surface=Surface.CLEAN,
            lift=LiftKind.VERTICAL,
            legs=1,
            angle_from_horizontal=Angle("90", AngleUnit.DEG),
            every_lift_check=EveryLiftCheck.PASSED,
        )
        return succeeded(lift_check.sync(client=self.yard.operator, body=request))

    def accept_all(self, kind: InspectionKind) -> list[Finding]:
        """Findings that accept everything which an inspection of this kind asks."""
        asked = list_criteria.sync(client=self.yard.inspector, model_id=self.model_id, inspection_kind=kind)
        return [
            Finding(criterion=criterion.code, outcome=FindingOutcome.ACCEPT)
            for criterion in succeeded(asked).items
            if criterion.mandatory
        ]

    def inspect(self, request: InspectedRequest) -> EntryReply:
        return succeeded(inspect.sync(self.clamp, client=self.yard.inspector, body=request))

    def is_registered(self) -> None:
        number = f"PY-{str(self.clamp)[:8]}"
        request = RegisterRequest(
            id=self.clamp,
            entry_id=uuid4(),
            performed_at=now(),
            asset_mark=f"CAL-{number}",
            serial_number=number,
            model_id=self.model_id,
            yard_id=self.yard_id,
            service_class=ServiceClass.NORMAL,
        )
        reply = succeeded(register_clamp.sync(client=self.yard.lead, body=request))
        assert reply.outcome is RecordedAs.RECORDED
        assert given(reply.state_now).status is Status.AWAITING_INITIAL_INSPECTION
        assert not self.fitness().fit
        # The id is the idempotency key: a retry is answered with the first outcome.
        retry = succeeded(register_clamp.sync(client=self.yard.lead, body=request))
        assert (retry.outcome, retry.position) == (RecordedAs.ALREADY_RECORDED, reply.position)

    def a_faulty_measurement_is_refused_with_its_place(self) -> None:
        worded = Finding(
            criterion="shackle_eye_worn",
            outcome=FindingOutcome.ACCEPT,
            measured=Length("21,0", LengthUnit.MM),
        )
        request = InspectedRequest(
            entry_id=uuid4(),
            performed_at=now(),
            kind=InspectionKind.INITIAL,
            findings=[worded],
        )
        problem = refused(inspect.sync_detailed(self.clamp, client=self.yard.inspector, body=request))
        assert problem.code == "invalid-input"
        assert [error.pointer for error in given(problem.errors)] == ["/findings/0/measured/value"]

    def is_inspected_and_lifts(self) -> None:
        reply = self.inspect(
            InspectedRequest(
                entry_id=uuid4(),
                performed_at=now(),
                kind=InspectionKind.INITIAL,
                findings=self.accept_all(InspectionKind.INITIAL),
            )
        )
        result = given(reply.result)
        assert (result.verdict, result.credited) == (Verdict.ACCEPTED, True)
        assert self.fitness().fit
        answer = self.lift()
        assert answer.decision is Decision.CLEAR
        mass = given(answer.plate_mass)
        assert (mass.value, mass.unit) == ("1884", "kg")

    def is_rejected_by_a_measurement(self) -> UUID:
        worn = Finding(
            criterion="shackle_eye_worn",
            outcome=FindingOutcome.ACCEPT,
            measured=Length("21.0", LengthUnit.MM),
            uncertainty=Length("0.05", LengthUnit.MM),
        )
        reply = self.inspect(
            InspectedRequest(
                entry_id=uuid4(),
                performed_at=now(),
                kind=InspectionKind.FREQUENT,
                findings=[*self.accept_all(InspectionKind.FREQUENT), worn],
            )
        )
        result = given(reply.result)
        assert result.verdict is Verdict.REJECTED
        assert RemarkCode.MEASUREMENT_OVERRULED in [remark.code for remark in given(result.remarks)]
        (opened,) = given(result.opened)
        assert opened.criterion == "shackle_eye_worn"
        return opened.id

    def is_tagged_out_for_everybody(self) -> None:
        answer = self.fitness()
        assert not answer.fit
        assert [reason.code for reason in answer.reasons] == [FitnessReason.TAGGED_OUT]
        assert self.lift().decision is Decision.STOP
        request = IssuedRequest(entry_id=uuid4(), performed_at=now(), issued_to_name="gang 4")
        problem = refused(issue.sync_detailed(self.clamp, client=self.yard.lead, body=request))
        assert problem.code == "tagged-out"
        assert [reason.code for reason in given(problem.reasons)] == [FitnessReason.TAGGED_OUT]

    def is_repaired(self, worn: UUID) -> tuple[UUID, UUID]:
        request = RepairedRequest(
            entry_id=uuid4(),
            performed_at=now(),
            components=[Component.SHACKLE],
            answers=[worn],
            parts=[
                Part(component=Component.SHACKLE, part_number="OK-V3-SH", lot="L7", from_original_maker=True),
            ],
            work="shackle renewed",
        )
        reply = succeeded(repair.sync(self.clamp, client=self.yard.technician, body=request))
        (opened,) = given(given(reply.result).opened)
        assert opened.reason is LockoutReason.NOT_REINSPECTED
        return reply.entry_id, opened.id

    def is_reinspected(self, repaired: UUID) -> UUID:
        reply = self.inspect(
            InspectedRequest(
                entry_id=uuid4(),
                performed_at=now(),
                kind=InspectionKind.AFTER_REPAIR,
                after_repair_of=repaired,
                findings=self.accept_all(InspectionKind.AFTER_REPAIR),
            )
        )
        assert given(reply.result).credited is True
        assert given(reply.state_now).status is Status.TAGGED_OUT
        return reply.entry_id

    def is_returned(self, worn: UUID, repaired: UUID, again: UUID, reinspected: UUID) -> None:
        first = Release(
            lockout_id=worn,
            ground=Ground.REPAIRED,
            repair_entry=repaired,
            inspection_entry=reinspected,
        )
        second = Release(lockout_id=again, ground=Ground.REINSPECTED, inspection_entry=reinspected)
        incomplete = ReturnedToServiceRequest(entry_id=uuid4(), performed_at=now(), releases=[first])
        problem = refused(return_to_service.sync_detailed(self.clamp, client=self.yard.lead, body=incomplete))
        assert problem.code == "release-not-supported"
        (unmet,) = given(problem.unmet)
        assert (unmet.code, unmet.lockout_id) == (UnmetCode.LOCKOUT_NOT_NAMED, again)
        complete = ReturnedToServiceRequest(entry_id=uuid4(), performed_at=now(), releases=[first, second])
        reply = succeeded(return_to_service.sync(self.clamp, client=self.yard.lead, body=complete))
        assert set(given(given(reply.result).closed)) == {worn, again}
        assert self.fitness().fit
        assert self.lift().decision is Decision.CLEAR

    def history(self) -> list[EntryKind]:
        return [entry.kind for entry in succeeded(list_entries.sync(self.clamp, client=self.yard.lead)).items]


def main() -> None:
    life = Life(Yard(Demo(sys.argv[1])))
    life.is_registered()
    life.a_faulty_measurement_is_refused_with_its_place()
    life.is_inspected_and_lifts()
    worn = life.is_rejected_by_a_measurement()
    life.is_tagged_out_for_everybody()
    repaired, again = life.is_repaired(worn)
    reinspected = life.is_reinspected(repaired)
    life.is_returned(worn, repaired, again, reinspected)
    history = life.history()
    assert history == [
        EntryKind.RETURNED_TO_SERVICE,
        EntryKind.INSPECTED,
        EntryKind.REPAIRED,
        EntryKind.INSPECTED,
        EntryKind.INSPECTED,
        EntryKind.REGISTERED,
    ]
    print(f"Python: {len(history)} entries of one clamp, from registration to return")


if __name__ == "__main__":
    main()
