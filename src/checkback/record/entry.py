"""The frozen types of everything that can stand in a journal.

A field name carries its unit where it has one (`pressure_atm`, `diameter_mm`).  The
`description` of a field is what the published JSON Schema and the tables show.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    TypeAdapter,
    model_validator,
)

SCHEMA_VERSION = 2

# Decimals keep "two point two five" exact; as JSON they are plain numbers.
Quantity = Annotated[
    Decimal, PlainSerializer(lambda d: int(d) if d == d.to_integral_value() else float(d), when_used="json")
]


def _to_the_millisecond(wall: datetime) -> datetime:
    finer = wall.microsecond % 1000
    return wall.replace(microsecond=wall.microsecond - finer) if finer else wall


Wall = Annotated[
    AwareDatetime,
    AfterValidator(_to_the_millisecond),
    PlainSerializer(lambda t: t.isoformat(timespec="milliseconds"), return_type=str, when_used="json"),
]


class Frozen(BaseModel):
    """Base of the record's types: immutable, and no field that the type does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Moment(Frozen):
    """One instant on both clocks."""

    wall: Wall = Field(description="Wall clock with its offset, to the millisecond (RFC 3339).")
    monotonic_s: float = Field(
        description="Seconds on a clock that is never set; comparable within one session only."
    )

    def earlier(self, seconds: float) -> Moment:
        """Return the moment `seconds` before this one."""
        return Moment(
            wall=self.wall - timedelta(seconds=seconds), monotonic_s=round(self.monotonic_s - seconds, 3)
        )


# --- the course of the case ---------------------------------------------------------------------


class Session(Frozen):
    """The program began to listen (again) to this case."""

    kind: Literal["session"] = "session"
    number: int = Field(ge=1, description="1 for the first start on this case, one more for each restart.")
    program_version: str
    recogniser: str
    phrasebook_sha256: str
    catalogue_sha256: str


class Imported(Frozen):
    """Entries came from a file: those of source import, or a whole journal of an older version."""

    kind: Literal["imported"] = "imported"
    file: str = Field(description="Name of the file.")
    format: str = Field(description="What it was taken for, such as csv.")
    file_sha256: str = Field(description="SHA-256 of its bytes, 64 hexadecimal digits.")
    rows: int = Field(ge=0, description="How many entries came from it.")
    left_out: int = Field(default=0, ge=0, description="How many rows of it were left out.")


class ClockStep(Frozen):
    """The wall clock was set while the program ran; the monotonic clock was not."""

    kind: Literal["clock_step"] = "clock_step"
    step_s: float = Field(description="Seconds by which the wall clock jumped; negative is back.")


class CaseStart(Frozen):
    """The case begins."""

    kind: Literal["case_start"] = "case_start"


class TimeOut(Frozen):
    """The team's time-out was held."""

    kind: Literal["time_out"] = "time_out"


class CaseEnd(Frozen):
    """The case ends."""

    kind: Literal["case_end"] = "case_end"


Side = Literal["left", "right"]
AccessSite = Literal[
    "radial", "distal radial", "ulnar", "brachial", "femoral", "femoral vein", "jugular vein"
]


class Access(Frozen):
    """A vessel was entered, or the sheath in it was exchanged."""

    kind: Literal["access"] = "access"
    site: AccessSite
    side: Side | None = None
    sheath_french: Quantity | None = Field(default=None, description="Sheath size, French.")


class Closure(Frozen):
    """An access was closed, or its sheath was left in on purpose."""

    kind: Literal["closure"] = "closure"
    site: AccessSite | None = None
    side: Side | None = None
    method: Literal[
        "compression band",
        "manual compression",
        "suture closure",
        "plug closure",
        "clip closure",
        "sheath left in",
    ]


# --- equipment ----------------------------------------------------------------------------------

Segment = Literal[
    "left main",
    "left anterior descending",
    "ostial left anterior descending",
    "proximal left anterior descending",
    "mid left anterior descending",
    "distal left anterior descending",
    "first diagonal",
    "second diagonal",
    "circumflex",
    "ostial circumflex",
    "proximal circumflex",
    "mid circumflex",
    "distal circumflex",
    "first obtuse marginal",
    "second obtuse marginal",
    "intermediate",
    "right coronary",
    "ostial right coronary",
    "proximal right coronary",
    "mid right coronary",
    "distal right coronary",
    "posterior descending",
    "posterolateral",
    "saphenous vein graft",
    "left internal mammary graft",
    "right internal mammary graft",
    "radial graft",
]

DeviceClass = Literal[
    "guide",
    "diagnostic catheter",
    "guide extension",
    "wire",
    "microcatheter",
    "balloon",
    "stent",
    "aspiration catheter",
    "snare",
    "burr",
    "crown",
    "laser catheter",
    "imaging catheter",
    "pressure wire",
    "pacing wire",
    "balloon pump",
    "embolic protection",
    "coil",
]

Happening = Literal[
    "across",
    "not across",
    "out",
    "stuck",
    "ruptured",
    "off its balloon",
    "snared",
    "retrieved",
    "crushed",
    "left in place",
    "run",
    "on",
    "off",
]


class Device(Frozen):
    """A device went in, perhaps inflated or deployed in the same breath."""

    kind: Literal["device"] = "device"
    device: DeviceClass
    type: str | None = Field(default=None, description="Generic sub-class, such as non-compliant.")
    diameter_mm: Quantity | None = None
    length_mm: Quantity | None = None
    french: Quantity | None = None
    curve: str | None = Field(default=None, description="Catheter curve, such as JR4.")
    stocked: bool | None = Field(
        default=None, description="Whether the size stands in the catalogue; null if it has none."
    )
    pressure_atm: Quantity | None = None
    deployed: bool | None = Field(
        default=None, description="True if the same call-out said that it was deployed."
    )
    segment: Segment | None = Field(default=None, description="Where it was said to go to.")
    lesion: int | None = Field(
        default=None, ge=1, description="Number of the lesion that it was said to go to."
    )


class Lesion(Frozen):
    """The lesion that is worked on from here on: attempts and inflations count for it."""

    kind: Literal["lesion"] = "lesion"
    lesion: int = Field(ge=1, description="Its number, as spoken.")
    segment: Segment | None = None


class DeviceEvent(Frozen):
    """Something happened to a device that is in."""

    kind: Literal["device_event"] = "device_event"
    happening: Happening
    device: DeviceClass | None = Field(default=None, description="Null: the device last spoken of.")
    type: str | None = None


class Inflation(Frozen):
    """The balloon that is in went up."""

    kind: Literal["inflation"] = "inflation"
    pressure_atm: Quantity | None = None
    duration_s: Quantity | None = None


class Deflation(Frozen):
    """The balloon that is up came down."""

    kind: Literal["deflation"] = "deflation"


class Deployment(Frozen):
    """The stent that is in was deployed."""

    kind: Literal["deployment"] = "deployment"
    pressure_atm: Quantity | None = None
    duration_s: Quantity | None = None


class Identity(Frozen):
    """The label of a device was scanned, or its lot typed.

    It is about the stent or coil that went in last and has no identity yet; with none of these in,
    about the device that went in last.
    """

    kind: Literal["identity"] = "identity"
    udi: str = Field(
        default="",
        description="As scanned, a separator written as <GS>; empty if only the lot was typed.",
    )
    device_identifier: str | None = Field(default=None, description="GTIN, or labeller and product of HIBC.")
    lot: str | None = None
    serial: str | None = None
    expires: str | None = Field(default=None, description="Last day of use, YYYY-MM-DD.")


# --- drugs and blood ----------------------------------------------------------------------------

Route = Literal[
    "intravenous", "intracoronary", "intra-arterial", "oral", "sublingual", "subcutaneous", "intramuscular",
    "inhaled",
]  # fmt: skip


class Drug(Frozen):
    """A dose was given."""

    kind: Literal["drug"] = "drug"
    drug: str = Field(description="Generic name.")
    dose: Quantity
    unit: str
    route: Route | None = None


class Infusion(Frozen):
    """An infusion was started, changed or stopped."""

    kind: Literal["infusion"] = "infusion"
    action: Literal["started", "changed", "stopped"]
    drug: str
    rate: Quantity | None = None
    unit: str | None = None


class Act(Frozen):
    """An activated clotting time came back."""

    kind: Literal["act"] = "act"
    act_s: Quantity
    site: Literal["guide", "sheath", "venous"] | None = None


# --- the patient --------------------------------------------------------------------------------


class BloodPressure(Frozen):
    """Blood pressure."""

    kind: Literal["blood_pressure"] = "blood_pressure"
    systolic_mmhg: Quantity
    diastolic_mmhg: Quantity | None = None


class HeartRate(Frozen):
    """Heart rate."""

    kind: Literal["heart_rate"] = "heart_rate"
    rate_per_min: Quantity


class Saturation(Frozen):
    """Oxygen saturation."""

    kind: Literal["saturation"] = "saturation"
    saturation_percent: Quantity


class Pain(Frozen):
    """Chest pain on a scale of ten."""

    kind: Literal["pain"] = "pain"
    pain_of_ten: Quantity


class Rhythm(Frozen):
    """The rhythm on the monitor."""

    kind: Literal["rhythm"] = "rhythm"
    rhythm: Literal[
        "sinus rhythm",
        "sinus bradycardia",
        "sinus tachycardia",
        "atrial fibrillation",
        "atrial flutter",
        "supraventricular tachycardia",
        "complete heart block",
        "ventricular ectopics",
        "ventricular tachycardia",
        "ventricular fibrillation",
        "pulseless electrical activity",
        "asystole",
        "paced rhythm",
    ]


class Shock(Frozen):
    """A shock was given."""

    kind: Literal["shock"] = "shock"
    energy_j: Quantity


class Compressions(Frozen):
    """Chest compressions were started or stopped."""

    kind: Literal["compressions"] = "compressions"
    action: Literal["started", "stopped"]


class CirculationReturned(Frozen):
    """Return of spontaneous circulation."""

    kind: Literal["circulation_returned"] = "circulation_returned"


class Patient(Frozen):
    """What is known of the patient and the plan; a later entry changes only what it names.

    No name and no record number: they are not needed.
    """

    kind: Literal["patient"] = "patient"
    age_y: Quantity | None = Field(default=None, ge=0, le=120)
    sex: Literal["female", "male"] | None = None
    weight_kg: Quantity | None = Field(default=None, ge=2, le=350)
    height_cm: Quantity | None = Field(default=None, ge=40, le=250)
    creatinine_mg_dl: Quantity | None = Field(default=None, ge=Decimal("0.1"), le=20)
    creatinine_umol_l: Quantity | None = Field(default=None, ge=21, le=1800)
    haematocrit_percent: Quantity | None = Field(default=None, ge=10, le=75)
    diabetes: bool | None = None
    heart_failure: bool | None = Field(
        default=None, description="Functional class III or IV, or pulmonary oedema."
    )
    dialysis: bool | None = Field(
        default=None, description="On chronic dialysis: formulas from creatinine do not apply."
    )
    hypertension: bool | None = None
    hyperlipidaemia: bool | None = None
    smoker: bool | None = None
    family_history: bool | None = Field(default=None, description="Of premature coronary disease.")
    prior_infarction: bool | None = None
    prior_intervention: bool | None = Field(default=None, description="Percutaneous coronary intervention.")
    prior_bypass: bool | None = Field(default=None, description="Bypass surgery.")
    prior_stroke: bool | None = None
    peripheral_disease: bool | None = Field(default=None, description="Peripheral artery disease.")
    lung_disease: bool | None = Field(default=None, description="Chronic lung disease.")
    allergies: str | None = Field(
        default=None, description="A later one is added to those before; 'none known' is replaced."
    )
    indication: str | None = None
    anticoagulant: Literal["heparin", "bivalirudin"] | None = Field(default=None, description="Planned.")
    gp_inhibitor: bool | None = Field(
        default=None, description="A glycoprotein IIb/IIIa inhibitor is planned."
    )
    antiplatelet_loaded: bool | None = Field(
        default=None, description="A P2Y12 inhibitor was loaded before the case."
    )
    symptom_onset: Wall | None = None
    first_contact: Wall | None = Field(default=None, description="First medical contact.")
    arrival: Wall | None = Field(default=None, description="Arrival at the door of this hospital.")
    transfer_in: bool | None = Field(default=None, description="Transferred from another hospital.")
    first_door: Wall | None = Field(
        default=None, description="Arrival at the door of the hospital that transferred the patient."
    )
    first_door_out: Wall | None = Field(default=None, description="Departure from that hospital.")
    consent: bool | None = Field(default=None, description="Informed consent was obtained.")
    disposition: str | None = Field(default=None, description="Where the patient is to go afterwards.")
    recommendations: str | None = Field(default=None, description="What is planned for afterwards.")

    @model_validator(mode="after")
    def _one_creatinine(self) -> Patient:
        if self.creatinine_mg_dl is not None and self.creatinine_umol_l is not None:
            raise ValueError("give creatinine_mg_dl or creatinine_umol_l, not both")
        return self


# --- findings -----------------------------------------------------------------------------------


class Stenosis(Frozen):
    """A narrowing and how tight it is."""

    kind: Literal["stenosis"] = "stenosis"
    segment: Segment
    stenosis_percent: Quantity


class Reference(Frozen):
    """Reference diameter and length of a lesion."""

    kind: Literal["reference"] = "reference"
    segment: Segment | None = None
    diameter_mm: Quantity
    length_mm: Quantity | None = None


class Calcium(Frozen):
    """How much calcium the lesion has."""

    kind: Literal["calcium"] = "calcium"
    segment: Segment | None = None
    grade: Literal["none", "mild", "moderate", "severe"]


class Thrombus(Frozen):
    """How much thrombus there is (grade 0 to 5)."""

    kind: Literal["thrombus"] = "thrombus"
    segment: Segment | None = None
    thrombus_grade: Quantity | None = None


class Flow(Frozen):
    """TIMI flow 0 to 3."""

    kind: Literal["flow"] = "flow"
    segment: Segment | None = None
    timi: Quantity


class Dissection(Frozen):
    """A dissection, type A to F."""

    kind: Literal["dissection"] = "dissection"
    segment: Segment | None = None
    type: Literal["A", "B", "C", "D", "E", "F"] | None = None


class Perforation(Frozen):
    """A perforation, with the Ellis type where it was said."""

    kind: Literal["perforation"] = "perforation"
    segment: Segment | None = None
    type: Literal["I", "II", "III", "III cavity spilling", "distal wire"] | None = None


class NoReflow(Frozen):
    """No reflow."""

    kind: Literal["no_reflow"] = "no_reflow"
    segment: Segment | None = None


class SlowFlow(Frozen):
    """Slow flow, of which no grade was said."""

    kind: Literal["slow_flow"] = "slow_flow"
    segment: Segment | None = None


class PressureRatio(Frozen):
    """A value read from the pressure wire."""

    kind: Literal["pressure_ratio"] = "pressure_ratio"
    index: Literal["fractional flow reserve", "resting ratio"]
    ratio: Quantity
    segment: Segment | None = None


# --- totals -------------------------------------------------------------------------------------


class Contrast(Frozen):
    """Contrast medium given since the last call-out, or the total so far."""

    kind: Literal["contrast"] = "contrast"
    volume_ml: Quantity
    counted: Literal["given", "total"]


class Fluoroscopy(Frozen):
    """Fluoroscopy time so far."""

    kind: Literal["fluoroscopy"] = "fluoroscopy"
    fluoroscopy_min: Quantity


class AirKerma(Frozen):
    """Reference air kerma so far."""

    kind: Literal["air_kerma"] = "air_kerma"
    air_kerma_mgy: Quantity


class DoseArea(Frozen):
    """Dose-area product so far."""

    kind: Literal["dose_area"] = "dose_area"
    dose_area_gy_cm2: Quantity


# --- about the record itself --------------------------------------------------------------------


class Mark(Frozen):
    """The operator marked this moment, to be explained later."""

    kind: Literal["mark"] = "mark"


class Dictation(Frozen):
    """A free note that was dictated or typed between "note" and "end note"; nobody has structured it.

    Each part that is added replaces the entry before, so that the last one holds the whole.
    """

    kind: Literal["dictation"] = "dictation"
    text: str = Field(description="The words so far; empty if only the sound was kept.")
    writer: str | None = Field(default=None, description="Who wrote the words: a recogniser, or typed.")
    ended: Wall | None = Field(default=None, description="When it was over; empty while it goes on.")
    ended_by: Literal["said", "length", "restart", "stop"] | None = Field(
        default=None, description="Said: by its end word. The others: by the program."
    )
    clip: str | None = Field(default=None, description="Its sound: a file beside the journal.")
    clip_sha256: str | None = Field(default=None, description="SHA-256 of that file, 64 hexadecimal digits.")


class Advice(Frozen):
    """The program spoke up: a limit came near, or something is due.  Advice, never an order."""

    kind: Literal["advice"] = "advice"
    rule: str = Field(description="Which rule spoke, such as act_due.")
    step: str = Field(default="", description="Which step of the rule, so that none is said twice.")
    text: str
    source: str = Field(description="Where the rule comes from.")
    critical: bool = False


class LeftOpen(Frozen):
    """What the record lacks was asked for, and somebody skipped it or said that it is not known."""

    kind: Literal["left_open"] = "left_open"
    item: str = Field(description="What was asked for, such as contrast.")
    answer: Literal["skipped", "unknown"]


class CardStep(Frozen):
    """A step through a bailout card: it was opened, a line of it was read, answered or marked.

    The words of the line stand here too, so that a later edit of the card does not change the record.
    """

    kind: Literal["card_step"] = "card_step"
    card: str = Field(description="Name of the card, such as stent_lost.")
    action: Literal[
        "offered", "opened", "started over", "read", "yes", "no", "tried", "not tried", "not here",
        "proposed", "seconded", "chosen", "closed",
    ] = Field(description="Yes and no answer a question; proposed waits for the word of a second voice.")  # fmt: skip
    line: str = Field(default="", description="Id of the line; empty if it is about the whole card.")
    text: str = Field(default="", description="What the line, or the title of the card, said then.")
    card_sha256: str | None = Field(default=None, description="SHA-256 of the card as it was read from file.")


class Noted(Frozen):
    """Somebody answered what the program spoke up about."""

    kind: Literal["noted"] = "noted"
    rule: str = Field(description="The rule that was answered.")


class StandBy(Frozen):
    """All reminders but the critical ones are to wait for a while."""

    kind: Literal["stand_by"] = "stand_by"


class Unclear(Frozen):
    """Something was said that has no reading, or more than one that was not settled yet."""

    kind: Literal["unclear"] = "unclear"


class Signature(Frozen):
    """Somebody signed the record as it stood; what is recorded later is not signed."""

    kind: Literal["signature"] = "signature"
    name: str = Field(min_length=1, description="Name or initials, as given.")
    role: str = Field(min_length=1, description="In which role, as given.")
    entries: int = Field(ge=1, description="How many entries were signed.")
    head: str = Field(pattern="^[0-9a-f]{64}$", description="Hash of the last line that was signed.")


class Withdrawal(Frozen):
    """The entry `target` was withdrawn."""

    kind: Literal["withdrawal"] = "withdrawal"
    target: int = Field(ge=1)


Body = Annotated[
    Session | Imported | ClockStep | CaseStart | TimeOut | CaseEnd | Access | Closure
    | Lesion | Device | DeviceEvent | Inflation | Deflation | Deployment | Identity
    | Drug | Infusion | Act
    | BloodPressure | HeartRate | Saturation | Pain | Rhythm | Shock | Compressions | CirculationReturned
    | Stenosis | Reference | Calcium | Thrombus | Flow | Dissection | Perforation | NoReflow | SlowFlow | PressureRatio
    | Contrast | Fluoroscopy | AirKerma | DoseArea
    | Patient | Mark | Dictation | Advice | CardStep | LeftOpen | Noted | StandBy | Unclear | Signature | Withdrawal,
    Field(discriminator="kind"),
]  # fmt: skip

BODY: TypeAdapter[Any] = TypeAdapter(Body)


class Alternative(Frozen):
    """Another way to take what was said."""

    words: str
    body: Body | None = Field(default=None, description="What those words would mean; null if nothing.")


class Entry(Frozen):
    """One line of the journal, as it was when it was written.

    What became of it later (withdrawn, amended) is not in the line but in the case, which is
    folded from all lines.
    """

    schema_version: int = Field(default=SCHEMA_VERSION, ge=1)
    n: int = Field(ge=1, description="Place in the journal, from 1, without gaps.")
    session: int = Field(ge=1, description="Which start of the program wrote it.")
    at: Moment = Field(description="When it happened: the start of speech, moved if a time was spoken.")
    said: Moment = Field(description="When it was said: the start of speech.")
    recorded: Moment = Field(description="When it was handed to the disk.")
    source: Literal["speech", "typed", "pedal", "program", "plan", "import"]
    words: str = Field(default="", description="The words heard or typed.")
    alternatives: tuple[Alternative, ...] = ()
    recogniser: str | None = None
    score: float | None = Field(default=None, description="The recogniser's own score; scales differ.")
    certainty: float | None = Field(
        default=None, ge=0, le=1, description="Probability that this was said, as far as hearing can tell."
    )
    standing: Literal["stands", "questioned"] = Field(description="As written.")
    question: str | None = Field(default=None, description="What was asked, if it is questioned.")
    amends: int | None = Field(default=None, ge=1, description="The entry that this one replaces.")
    body: Body
