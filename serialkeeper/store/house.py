"""Questions about what all lots share: settings, people, stations, products, places, cameras."""

from __future__ import annotations

from sqlalchemy import func, select

from serialkeeper.errors import Refused
from serialkeeper.rules import guesses, passwords
from serialkeeper.rules.locations import name_of, parse_gln
from serialkeeper.store.import_tables import Location
from serialkeeper.store.journal import Journal
from serialkeeper.store.line_tables import KeptProfile
from serialkeeper.store.people_tables import (
    Attempt,
    Credential,
    PasswordRules,
    Person,
    Pin,
    Session,
    SignInAlarm,
    TokenRow,
)
from serialkeeper.store.tables import Lot, Product, Setting, Station, table_of


class House(Journal):
    """What the house chain tells, through one connection."""

    def setting(self, name: str) -> str:
        """A fact of the whole record, or empty."""
        found = self._one(Setting, name=name)
        return found.value if found else ""

    def people(self) -> list[Person]:
        """Everybody, in order of entry."""
        return self._all(Person)

    def find_person(self, name: str) -> Person | None:
        """One person by name, retired or not."""
        return self._one(Person, name=name)

    def person(self, name: str) -> Person:
        """One person at work, by name. Refuses `person_unknown`, `person_retired`."""
        found = self.known_person(name)
        if found.retired:
            raise Refused(
                "person_retired",
                "That person does not work on the record any more.",
                came=f"{name}, retired {found.retired}",
                remedy="Let a person who works here do it; a name is never used again.",
            )
        return found

    def known_person(self, name: str) -> Person:
        """One person by name, retired or not. Refuses `person_unknown`."""
        found = self.find_person(name)
        if found is None:
            raise Refused(
                "person_unknown",
                "The record knows no such person.",
                expected=", ".join(person.name for person in self.people()[:20]),
                came=name,
                remedy=guesses.remedy(
                    name,
                    [person.name for person in self.people()],
                    "Add the person first (person add), or check the spelling.",
                ),
            )
        return found

    def only_person(self) -> Person:
        """The person of a record that has just one. Refuses `person_unknown`."""
        people = [one for one in self.people() if not one.retired]
        if len(people) != 1:
            raise Refused(
                "person_unknown",
                "The record has several people; it has to know who you are.",
                expected=", ".join(person.name for person in people[:20]),
                came="no name",
                remedy="Give --as NAME, or set SERIALKEEPER_PERSON.",
            )
        return people[0]

    def credential(self, person: int) -> str:
        """What is kept of a person's password, or empty."""
        found = self._one(Credential, person=person)
        return found.data if found else ""

    def credentials(self) -> list[Credential]:
        """What is kept of all passwords."""
        return self._all(Credential)

    def pin(self, person: int) -> str:
        """What is kept of the PIN of a person's badge, or empty."""
        found = self._one(Pin, person=person)
        return found.data if found else ""

    def pins(self) -> list[Pin]:
        """What is kept of all PINs."""
        return self._all(Pin)

    def find_badge(self, sha256: str) -> Person | None:
        """Whose badge that is; of a retired person's nobody's."""
        there = [one for one in self.people() if one.badge == sha256 and not one.retired]
        return there[-1] if there else None

    def person_with(self, number: int) -> Person:
        """A person by number."""
        return self._expect(Person, id=number)

    def session(self, number: int) -> Session | None:
        """A session by number."""
        return self._one(Session, id=number)

    def last_session(self) -> int:
        """The number of the last session, 0 for none."""
        last = select(func.max(table_of(Session).c.id))
        return int(self.connection.execute(last).scalar() or 0)

    def token(self, number: int) -> TokenRow | None:
        """A token by number."""
        return self._one(TokenRow, id=number)

    def tokens(self) -> list[TokenRow]:
        """All tokens, in order of entry."""
        return self._all(TokenRow)

    def attempt(self, person: int) -> Attempt | None:
        """The wrong passwords in a row of a person; 0 stands for unknown names."""
        return self._one(Attempt, person=person)

    def sign_in_alarms(self) -> list[SignInAlarm]:
        """All alarms about wrong passwords, in order of entry."""
        return self._all(SignInAlarm)

    def password_rules(self) -> passwords.Rules:
        """What the firm wants of passwords."""
        rows = self._all(PasswordRules)
        if not rows:
            return passwords.Rules()
        last = rows[-1]  # older ones tell no idle time
        return passwords.Rules(last.shortest, last.failures, last.idle or passwords.IDLE)

    def password_rules_count(self) -> int:
        """How often these rules were set."""
        return len(self._all(PasswordRules))

    def stations(self) -> list[Station]:
        """All stations that the record names, in order of entry."""
        return self._all(Station)

    def products(self) -> list[Product]:
        """All products, in order of entry."""
        return self._all(Product)

    def find_product(self, gtin: str) -> Product | None:
        """A product by its 14-digit GTIN."""
        return self._one(Product, gtin=gtin)

    def product(self, gtin: str) -> Product:
        """A product by its 14-digit GTIN. Refuses `product_unknown`."""
        found = self.find_product(gtin)
        if found is None:
            raise Refused(
                "product_unknown",
                "The record knows no product with that GTIN.",
                expected=", ".join(p.gtin for p in self.products()[:10]) or "none yet",
                came=gtin,
                remedy=guesses.remedy(
                    gtin,
                    [product.gtin for product in self.products()],
                    "Add the product first: product add.",
                ),
            )
        return found

    def what_station(self, named: str) -> str:
        """What to do at a station that is not among the record's."""
        names = [one.name for one in self.stations()]
        otherwise = "Set SERIALKEEPER_STATION to this station's name, or name it: station add"
        return guesses.remedy(named, names, otherwise)

    def locations(self) -> list[Location]:
        """All locations, in order of entry."""
        return self._all(Location)

    def find_location(self, gln: str, extension: str) -> Location | None:
        """A location by its GLN and extension."""
        return self._one(Location, gln=gln, extension=extension)

    def location(self, name: str) -> Location:
        """A location by GLN or GLN/EXTENSION. Refuses `location_unknown`, and `bad_key` for 13
        digits that are no GLN."""
        gln, _, extension = name.partition("/")
        found = self.find_location(gln, extension)
        if found is None and gln.isdigit() and len(gln) == 13:
            parse_gln(gln)
        if found is None:
            raise Refused(
                "location_unknown",
                "The record knows no such location.",
                expected=", ".join(name_of(one.gln, one.extension) for one in self.locations()[:10])
                or "none yet",
                came=name,
                remedy="Add it first (location add); in a file it stands above its parts.",
            )
        return found

    def profiles(self) -> list[KeptProfile]:
        """All camera profiles that are kept, in order of entry."""
        return self._all(KeptProfile)

    def find_profile(self, name: str) -> KeptProfile | None:
        """A kept camera profile by name."""
        return self._one(KeptProfile, name=name)

    def product_of(self, lot: Lot) -> Product:
        """A lot's product."""
        return self.product_with(lot.product_id)

    def product_with(self, product_id: int) -> Product:
        """A product by its id."""
        return self._expect(Product, id=product_id)
