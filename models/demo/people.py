"""Who works at the demo plant, and whom it sells to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SignIn:
    """A demo account with its secrets in plain text: they are printed and protect nothing."""

    name: str
    full_name: str
    role: str
    password: str
    pin: str | None = None
    crew: str | None = None


PEOPLE = (
    SignIn("tomke", "Tomke Brandt", "inspector", "eschenfurt-tomke", "4071", "A"),
    SignIn("jorun", "Jorun Felde", "inspector", "eschenfurt-jorun", "5182", "B"),
    SignIn("mats", "Mats Okkema", "inspector", "eschenfurt-mats", "6293", "C"),
    SignIn("selma", "Selma Rieth", "inspector", "eschenfurt-selma", "7304", "D"),
    SignIn("ilse", "Ilse Varnhagen", "quality_lead", "eschenfurt-ilse"),
    SignIn("piet", "Piet Harring", "claims_desk", "eschenfurt-piet"),
    SignIn("ruta", "Ruta Saulyte", "administrator", "eschenfurt-ruta"),
)

#: customers by the grade they order, with where their packs go
CUSTOMERS: dict[str, tuple[tuple[str, str], ...]] = {
    "eschenfurt-window": (
        ("Morgenried Windows", "Morgenried, hall 2"),
        ("Tannbruch Glazing", "Tannbruch"),
        ("Kestrelholm Facades", "Kestrelholm, quay 4"),
    ),
    "eschenfurt-mirror": (("Ottervale Mirrors", "Ottervale"),),
    "eschenfurt-garden": (("Fennmoor Greenhouses", "Fennmoor"),),
}
