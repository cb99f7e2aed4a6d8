"""Telling: which messages a change of a finding owes, and how what is owed reaches its receivers.

A message is owed in the transaction that keeps the change it tells of, claimed in a second
one, posted with none open, and its outcome noted in a third. Whoever dies in between leaves a
claim that runs out: the message goes out again under the same id.

`owing` says what a change owes and to whom, `holding` lets go of what quiet times held, `grouping` tells of many in
one message, `passing` tells another route of what nobody took, `silences` that sources are not heard, `sending` sends.
"""

from service.delivery.holding import release
from service.delivery.owing import TOLD, owe, owed
from service.delivery.passing import pass_on
from service.delivery.sending import CLAIM_MS, Outcome, Send, deliver_due
from service.delivery.silences import tell_of_silences

__all__ = (
    "CLAIM_MS",
    "TOLD",
    "Outcome",
    "Send",
    "deliver_due",
    "owe",
    "owed",
    "pass_on",
    "release",
    "tell_of_silences",
)
