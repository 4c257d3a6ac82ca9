"""What can go wrong at the bench.

BenchFault                a fault of an instrument or its link; the run goes to rest
  LinkDown                no connection, or it was lost
    LinkTimeout           no answer in time
  WrongIdentity           another instrument than the bench file names answers
  ShortBlock              a block of samples that is not what its header or the settings promise
  InstrumentError         the instrument's error queue holds something
  NotANumber              text where a number is due, or a number that stands for none
  Refused                 the station would not ask this of the instrument: a limit read back is not the one set
    PairStuck             a mirror contact shows a winding pair connected that should not be, or the other way round
  BenchInUse              another run holds the bench
"""


class BenchFault(RuntimeError):  # noqa: N818 - the bench has faults; the name is the trade's
    """A fault at the bench, with what was asked of whom and what came back."""

    def __init__(self, resource: str, command: str, reply: str) -> None:
        self.resource, self.command, self.reply = resource, command, reply
        super().__init__(f"{resource}: '{command}': {reply}")


class LinkDown(BenchFault):
    """The connection could not be made, or is gone."""


class LinkTimeout(LinkDown):
    """No answer came in time; a late one would shift every later reading, so the link is closed."""


class WrongIdentity(BenchFault):
    """Another instrument answers than the bench file names."""


class ShortBlock(BenchFault):
    """A block that is short, long, indefinite or otherwise not what was promised."""


class InstrumentError(BenchFault):
    """The instrument reported an error."""


class NotANumber(BenchFault):
    """A reply that is no finite number where one is due."""


class Refused(BenchFault):
    """A setting read back differs from the one sent, so nothing is switched on."""


class PairStuck(Refused):
    """A mirror contact disagrees with its relay's command: the relay may be welded, so no other pair is made."""


class BenchInUse(BenchFault):
    """Another run holds this bench."""
