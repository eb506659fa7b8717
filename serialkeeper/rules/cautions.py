"""What stands beside every answer that somebody might act on."""

AID = "An aid, not a validated system: local rules and the people licensed to do so decide."
GRADE = "An in-line camera grade is not a verifier grade."
CAUTION = f"{AID} {GRADE}"
