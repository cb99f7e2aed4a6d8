"""Everything the service can say went wrong, as one tree.

Named for what is the matter, made from values, keeping them, and telling the reader what to
do. Nothing here knows of HTTP or exit codes; the edge holds those tables.
"""

from __future__ import annotations


class ServiceError(Exception):
    """Whatever the service refuses or cannot do, in words for the person who must mend it."""


class UnusableInput(ServiceError):
    """Input as a whole could not be read: a file, a body, a batch."""

    def __init__(self, where: str, what: str, remedy: str = "") -> None:
        super().__init__(f"{where}: {what}" + (f"; {remedy}" if remedy else ""))
        self.where = where
        self.what = what
        self.remedy = remedy


class TooLarge(UnusableInput):
    """A body or batch is over a limit."""


class UnsupportedForm(UnusableInput):
    """A body comes in a form that nobody here reads."""


class WrongSetting(ServiceError):
    """A setting cannot be used: which, why, and what would do."""

    def __init__(self, key: str, why: str, remedy: str = "", line: int | None = None) -> None:
        place = f"{key} (line {line})" if line else key
        super().__init__(f"{place}: {why}" + (f"; {remedy}" if remedy else ""))
        self.key = key
        self.why = why
        self.remedy = remedy
        self.line = line


class TooFewPorts(ServiceError):
    """A team measure was asked of fewer than two ports."""

    def __init__(self, ports: int) -> None:
        super().__init__(f"a team has at least two ports; {ports} given, so there is nothing to compare")
        self.ports = ports


class NotFound(ServiceError):
    """Something was asked for by a name or id that nothing has."""

    def __init__(self, noun: str, name: str) -> None:
        super().__init__(f"there is no {noun} {name!r}")
        self.noun = noun
        self.name = name


class WrongQuestion(ServiceError):
    """A request's parameter cannot be used."""

    def __init__(self, parameter: str, why: str) -> None:
        super().__init__(f"{parameter}: {why}")
        self.parameter = parameter
        self.why = why


class NotAllowed(ServiceError):
    """A key is missing, wrong, expired or of the wrong role; says no more than it must."""


class NoKey(NotAllowed):
    """A request came without a usable key."""

    def __init__(self, why: str = "send a key: Authorization: Bearer ...") -> None:
        super().__init__(why)


class WrongRole(NotAllowed):
    """A key is good, but not for this."""

    def __init__(self, role: str, needed: str) -> None:
        super().__init__(f"a key with the role {role!r} may not do this; it takes {needed!r}")
        self.role = role
        self.needed = needed


class WrongState(ServiceError):
    """Something cannot be done to a thing in the state it is in."""


class DatabaseNotReady(ServiceError):
    """The database cannot be reached, or its tables are not those of this release."""


class UnusableBackup(ServiceError):
    """A copy of the database cannot be taken or put back."""

    def __init__(self, what: str, remedy: str = "") -> None:
        super().__init__(what + (f"; {remedy}" if remedy else ""))
        self.what = what
        self.remedy = remedy


class RefusedAddress(ServiceError):
    """An outgoing message was about to go where messages may not go."""

    def __init__(self, host: str, addresses: str) -> None:
        super().__init__(
            f"{host} resolves to {addresses}, which the settings do not allow;"
            " add its network to allow_networks of the route if it is meant"
        )
        self.host = host
        self.addresses = addresses


class BadSignature(NotAllowed):
    """A signed message cannot be believed: unsigned, wrongly signed, or too old to be fresh."""


class UnusableTemplate(ServiceError):
    """A template of a route is refused, or makes no message."""

    def __init__(self, why: str) -> None:
        super().__init__(f"the template cannot be used: {why}")
        self.why = why


class Unreachable(ServiceError):
    """A receiver could not be asked at all: no name, no connection, no TLS, or no answer in time."""

    def __init__(self, host: str, why: str, took_ms: int = 0) -> None:
        super().__init__(f"{host} could not be reached: {why}")
        self.host = host
        self.why = why
        self.took_ms = took_ms


class UnknownPort(ServiceError):
    """A sample names a port that nobody has told us of, and no team that it could be registered in."""

    def __init__(self, device: str, port: str) -> None:
        super().__init__(
            f"no team has a member port {port!r} of device {device!r};"
            " name its team in the sample, or declare it in the settings"
        )
        self.device = device
        self.port = port


class FullTeam(ServiceError):
    """A sample names a port that would be one member too many of its team."""

    def __init__(self, device: str, team: str, most: int) -> None:
        super().__init__(
            f"team {team!r} of device {device!r} has {most} members already, which is as many as a team may have;"
            " check the name of the team"
        )
        self.device = device
        self.team = team
        self.most = most


class UnknownParameter(WrongQuestion):
    """A request has a parameter that the question does not know; a misspelt filter would show too much."""

    def __init__(self, parameter: str, allowed: tuple[str, ...]) -> None:
        super().__init__(parameter, f"is not known here; allowed: {', '.join(allowed) or 'none'}")
        self.allowed = allowed


class CrossSite(NotAllowed):
    """A request without a key, that would change something, comes from a page of another site."""


class Overloaded(ServiceError):
    """More is asked at once than can be worked at; the same will do a little later."""

    def __init__(self, what: str, most: int) -> None:
        super().__init__(f"{most} {what} are worked at already; send this one again a little later")
        self.what = what
        self.most = most


class DecidedElsewhere(ServiceError):
    """Another process decided windows that this one was about to decide."""

    def __init__(self) -> None:
        super().__init__("another process has decided these windows meanwhile; this one leaves them to it")


class UnusableSpool(ServiceError):
    """The folder in which batches wait to be pushed cannot be used."""

    def __init__(self, folder: str, why: str) -> None:
        super().__init__(f"{folder} cannot hold batches: {why}; name another folder with --spool, or make room")
        self.folder = folder
        self.why = why


class SpoolInUse(ServiceError):
    """Another process pushes from the same folder, and the order of batches would be lost."""

    def __init__(self, folder: str) -> None:
        super().__init__(f"{folder} is used by another process; end that one, or name another folder with --spool")
        self.folder = folder


class ReplayRefused(ServiceError):
    """A replay cannot be done as it was asked for."""


class BrokenDatagram(ServiceError):
    """A datagram of an exporter is not what it says it is."""

    def __init__(self, protocol: str, what: str) -> None:
        super().__init__(f"a datagram of {protocol} {what}; look at the exporter, or who else sends there")
        self.protocol = protocol
        self.what = what


class NoSheet(WrongState):
    """No change sheet is written for an option: it must not be carried out as things stand, or changes nothing."""

    def __init__(self, option: str, why: str) -> None:
        super().__init__(f"no change sheet for {option!r}: {why}")
        self.option = option
        self.why = why


class UnusableForm(WrongQuestion):
    """What a page's form brought cannot be used."""

    def __init__(self, why: str, field: str = "form") -> None:
        super().__init__(field, why)


class TooManyRows(WrongQuestion):
    """A table to keep would have more rows than are written at once."""

    def __init__(self, most: int) -> None:
        super().__init__("format", f"this would be more than {most} rows; ask for less time, or for one team or device")
        self.most = most
