"""A letter as the message that a server takes (RFC 5322)."""

from datetime import datetime
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime
from hashlib import sha256

from gateway.delivery.mail.letter import Letter

__all__ = ["message_of"]

# A subject that is folded behind its name is read with a space in front. Not every server takes eight bits.
_POLICY = policy.SMTP.clone(max_line_length=300, cte_type="7bit")


def message_of(letter: Letter, sender: str, to: tuple[str, ...], when: datetime, key: str) -> EmailMessage:
    """`key`: the same for the same letter, so that a mail program can know one that comes twice."""
    message = EmailMessage(_POLICY)
    message["From"] = sender
    message["To"] = ", ".join(to)
    message["Subject"] = letter.subject
    message["Date"] = format_datetime(when)
    domain = sender.rpartition("@")[2]
    message["Message-ID"] = f"<{sha256(key.encode()).hexdigest()[:32]}@{domain.encode('idna').decode()}>"
    # RFC 3834: nobody's absence is to be answered to this.
    message["Auto-Submitted"] = "auto-generated"
    if letter.is_urgent:
        message["Importance"] = "high"
    message.set_content(letter.text)
    return message
