"""The cautions, in one place: README, run, certificate and `design` show these words and no others."""

from typing import Literal

CAUTIONS = (
    "Mains voltage kills. Before you make or change a connection, disconnect the bench's supply, lock it off, and prove it dead "
    "with a tester tried on a live source before and after.",
    "Unplugging the load is not enough: jacks, leads, shunts and the range switch stay at line potential. A multimeter in series "
    "stands at line potential too, with the load off as well.",
    "Use only meters, leads and probes of the measuring category this circuit asks for, with fused leads or inputs.",
    "Feed the bench through residual-current protection. Half-wave and direct currents can blind some types of it: take one made "
    "for the loads you use.",
    "Never open the secondary of a current transformer while its primary carries current, nor pull its fuse: dangerous voltage "
    "arises across the gap.",
    "Capacitors in plugs, power supplies and droppers keep their charge: do not touch the pins of what you have just unplugged.",
    "Conductors, contacts, windings and loads get hot and stay hot. Stay within the rating of every part, and leave no load on "
    "alone. Fuses are the last resort, not a method.",
    "Do not work alone: have a second person near who knows where the supply is cut and how to help.",
    "Follow the electrical rules of your place; where they reserve this work to qualified or licensed persons, have them do it; "
    "where this program and local code differ, the code prevails.",
    "This program limits current. It does not make wiring safe.",
)
"""Common practice, no published source."""

NOT_VERIFIED = (
    "The electrical safety of the modification (insulation, protective conductor, touch current) was not verified: have it "
    "inspected and tested by the rules of your place."
)
"""Said wherever somebody could take a result for more than it is."""

READY = "Have you read these cautions, and is the bench wired, guarded against contact and ready?"

CONFIRMED_BEFOREHAND = (
    "Confirmed by --cautions-read: these cautions have been read; the bench is wired and guarded against contact; a switch or "
    "emergency stop for the load's supply is within reach of a person who stays there; the load's own limits, and its "
    "time-out or watchdog where it has one, are set."
)
"""What whoever gives the option says. Without the question there may be nobody at the keyboard when current begins to flow."""

Cautions = Literal["confirmed", "confirmed beforehand", "simulated"]
"""How they were confirmed, as recorded: at a prompt, by an option beforehand, or not at all, since every instrument is a simulated one."""
