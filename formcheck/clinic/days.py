"""Days and moments that came from elsewhere, held to what ours can be."""

from datetime import UTC, date, datetime, timedelta

from formcheck.clinic.database import today

FIRST_DAY = date(2000, 1, 1)


def day_fault(text: object) -> str:
    """What is wrong with a day of an exchange file; empty where nothing is. It may be tomorrow:
    where the person lives another day may have begun."""
    try:
        day = date.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        day = None
    if day is None or day.isoformat() != text:
        return "is no day"
    if not FIRST_DAY <= day <= today() + timedelta(days=1):
        return f"is {text}, which cannot be; set the clock of that computer right and pack again"
    return ""


def moment_fault(text: object) -> str:
    """What is wrong with a moment of an exchange file: it is written as ours are, in UTC."""
    try:
        at = datetime.fromisoformat(text) if isinstance(text, str) else None
        if at is None or at.astimezone(UTC).isoformat(timespec="seconds") != text:
            return "is no moment"
    except (ValueError, OverflowError):
        return "is no moment"
    return day_fault(at.date().isoformat())
