"""Invented cases that walk the branches of every card; see `CardRoom.play` for the form."""

from __future__ import annotations

WOULD_NOT_CROSS = """
workhorse wire in
balloon 2.5 by 15
balloon would not cross
balloon out
balloon 2.0 by 12
balloon would not cross
balloon out
balloon 1.25 by 15
balloon would not cross
> open would_not_cross
> no
> tried
balloon out
balloon 1.5 by 20
balloon would not cross
extra support wire in
microcatheter
guide extension
> at injured
> no
> no
balloon ruptured
> start over
> yes
> at injured
> no
> yes
burr 1.25
burr run
laser 0.9
> at subintimal
> chosen
> close
"""

WOULD_NOT_CROSS_TORN = """
balloon 2.5 by 15
balloon would not cross
balloon would not cross
balloon would not cross
> open would_not_cross
> yes
> at injured
dissection type b
> yes
> chosen
> close
balloon across
up 12
"""

STENT_ON_THE_WIRE = """
guide jr4 6 french
workhorse wire in
stent 3.0 by 18
stent off its balloon
> open stent_lost
> tried
> yes
> no
> yes
balloon 1.5 by 15
up 10
> at pin
> start over
> tried
> yes
> no
> no
snare in
snared
> at forceps
workhorse wire in
> chosen
stent retrieved
> close
"""

STENT_IN_THE_LEFT_MAIN = """
guide jr4 6 french
workhorse wire in
stent 3.5 by 18
stent off its balloon
> open stent_lost
> tried
> yes
> yes
balloon 2.0 by 15
> at pin
> start over
> tried
> no
> yes
> at surgery
> close
"""

STENT_LOOSE = """
workhorse wire in
stent 2.5 by 18
stent off its balloon
> open stent_lost
> tried
> no
> no
stent 2.75 by 18
stent crushed
> start over
> tried
> no
> yes
> not here
> close
"""

STENT_LEFT = """
workhorse wire in
stent 2.25 by 18
stent off its balloon
> open stent_lost
> tried
> no
> no
stent left in place
> close
"""

PERFORATION = """
perforation ellis three
> open perforation
balloon 3.0 by 15
up 4
> at tamponade
> yes
> tried
sodium chloride 500 ml
> at main_vessel
> yes
covered stent 3.0 by 18
deployed
> at leaking
> yes
stop tirofiban
> at gear_out
> yes
protamine 30 mg
> at watch
> close
"""

PERFORATION_DISTAL = """
distal wire perforation
balloon 2.0 by 15
up 2
> open perforation
> at tamponade
> no
> no
coil in
> at leaking
> no
> at gear_out
> no
> tried
> close
"""

NO_REFLOW = """
no reflow
> open no_reflow
> yes
nitroglycerin 200 mcg ic
> at low_pressure
> no
adenosine 100 mcg ic
microcatheter
timi 1
nitroprusside 100 mcg ic
> at thrombus
> yes
tirofiban 25 ug/kg
> at support
balloon pump
> close
"""

NO_REFLOW_LOW_PRESSURE = """
slow flow
> open no_reflow
> no
> yes
phenylephrine 100 mcg
timi 2
> at thrombus
> no
> close
timi 3
"""

DISSECTION = """
dissection type c
> open dissection
> tried
> no
> no
> no
imaging catheter in
workhorse wire in
> at stent_entry
stent 3.0 by 18 deployed
timi 3
> start over
> tried
> no
> no
> yes
> start over
> tried
> no
> yes
> close
"""

DISSECTION_OF_THE_AORTA = """
dissection type d
> open dissection
> tried
> yes
stent 3.5 by 18 deployed
> at aorta_watch
> not here
> close
"""

THROMBUS = """
thrombus grade 4
> open thrombus
> yes
> tried
act 210
heparin 3000 units
> at heparin_cause
> no
> yes
aspiration catheter
ticagrelor 180 mg
> at bleeding
> no
tirofiban infusion at 0.15 ug/kg/min
> at wait
> close
"""

THROMBUS_BY_HEPARIN = """
thrombus grade 3
act 190
> open thrombus
> no
> next
> yes
argatroban infusion 2 ug/kg/min
> at large
> no
> next
> yes
> chosen
> close
"""

AIR = """
> open air
> tried
oxygen 10 litres
> at pulse
> yes
compressions on
we have a pulse
> at in_coronary
> yes
aspiration catheter
> at saline
> tried
atropine 0.5 mg
balloon pump
> at brain
> yes
> not here
timi 3
> start over
> at pulse
> no
> no
> yes
> tried
> no
> start over
> at pulse
> no
> no
> no
> close
"""

ALLERGY = """
> open allergic_reaction
> tried
> yes
epinephrine 0.5 mg
oxygen 10 litres
sodium chloride 1000 ml
> at better
> no
epinephrine 0.5 mg
epinephrine infusion 5 mcg/min
> at airway
> tried
diphenhydramine 50 mg
> at watch
> start over
> tried
> yes
> at better
> yes
> start over
> tried
> no
> close
"""

HYPOTENSION = """
pressure 70 over 40
> open hypotension
> no
pressure 75 over 40
> at slow
> yes
atropine 0.5 mg
pacing wire
> at bleeding
> yes
> tried
sodium chloride 500 ml
phenylephrine 100 mcg
> at support
balloon pump
> start over
> yes
> no
> no
> yes
> tried
> start over
> yes
> no
> no
> no
> yes
epinephrine 0.1 mg
> start over
> yes
> no
> no
> no
> no
> yes
naloxone 0.4 mg
> start over
> yes
> no
> no
> no
> no
> no
> yes
timi 2
> start over
> yes
> no
> no
> no
> no
> no
> no
> close
pressure 110 over 60
"""

ENTRAPPED_BALLOON = """
balloon 3.0 by 15
up 14
balloon stuck
> open entrapped_device
> tried
nitroglycerin 200 mcg ic
> at balloon
> yes
balloon ruptured
down
> at puncture
> chosen
> close
"""

ENTRAPPED_BURR = """
burr 1.5
burr stuck
> open entrapped_device
> tried
> next
> no
> yes
> tried
workhorse wire in
balloon 2.0 by 15
up 8
guide extension
snare in
> at broken
> yes
burr left in place
> start over
> tried
> next
> no
> no
> at broken
> no
> close
"""

ACCESS_BLEEDING = """
> open access_bleeding
manual compression
> at groin
> yes
> yes
> tried
balloon 6.0 by 20
up 4
> at vascular
> not here
protamine 30 mg
sodium chloride 500 ml
> at grade
> start over
> at groin
> yes
> no
> start over
> at groin
> no
> yes
> tried
> start over
> at groin
> no
> no
compression band
> close
"""

ARREST = """
v fib
> open cardiac_arrest
> yes
shock 200
compressions on
> at roles
> tried
> not here
shock 200
epinephrine 1 mg
shock 200
amiodarone 300 mg
oxygen 10 litres
> at artery
> yes
balloon 2.5 by 15
up 10
> at tamponade
> yes
> tried
calcium chloride 1 g
> at extracorporeal
> chosen
we have a pulse
> close
"""

ARREST_NOT_SHOCKABLE = """
pulseless electrical activity
compressions on
epinephrine 1 mg
> open cardiac_arrest
> no
> at artery
> no
> no
> close
"""

CASES: dict[str, str] = {
    name.lower(): script
    for name, script in list(globals().items())
    if name.isupper() and isinstance(script, str)
}
