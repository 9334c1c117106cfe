"""What can hurt somebody, and what to mind.

Fire and health services' usual advice, from memory: keep what burns a metre from heaters; no
unvented heaters; fine-dust masks with mouldy plants.
"""

from __future__ import annotations

UNVENTED = "Never a gas or paraffin heater: it gives off water and poisonous fumes."
HEATERS = "Keep all that can burn a metre (3 ft) from any heater: dried flowers are tinder."
FIRE = f"{HEATERS} If you smell smoke, stay out and call for help: this is no fire alarm."
ELECTRICS = "Local rules for electrics first: no plugs or leads where water can drip."
HEIGHT = "Only what you reach safely: a steady ladder, and somebody near."
MOULD = (
    "Do not shake mouldy bunches: bag them where they hang, wear a fine-dust mask (FFP3), "
    "and air the room after."
)
