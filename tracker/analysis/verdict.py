"""One plain sentence for each comparison: what the balls say, how sure, or how many more it takes.

The first words carry the answer: "slower to left-handers by ...", "no difference larger than ...", "cannot tell yet:
bowl ... more to each hand", "cannot tell: ...". Cautions follow after a semicolon. A difference is named only when its
95 % interval excludes zero; "no difference larger than" only when two one-sided tests at 5 % say so.
"""

from collections.abc import Sequence
from math import floor, isfinite, log10

from tracker.analysis.measures import Kind
from tracker.analysis.statistics import Difference, Sample, equivalence_p, more_balls

FEW_BALLS = 5  # below this in either group a result is called a hint: common practice, no source


def group_words(by: str, group: str) -> str:
    """A group as it follows "slower ...".

    >>> group_words("batter_hand", "left"), group_words("side", "round"), group_words("ball_type", "old")
    ('to left-handers', 'from round the wicket', 'with ball_type old')
    """
    if by == "batter_hand":
        return f"to {group}-handers"
    if by == "side":
        return f"from {group} the wicket"
    if by == "arm":
        return f"by {group}-armers"
    return f"with {by} {group}"


def number(value: float, digits: int) -> str:
    """As many digits as asked, more where the value would otherwise read as zero."""
    for extra in (0, 1, 2):
        text = f"{value:.{digits + extra}f}"
        if float(text) != 0:
            return text
    return f"{value:.{digits}f}"


def interval_digits(low: float, high: float, least: int) -> int:
    """Digits after the point that show an interval: one of its half-width at least, never fewer than `least`.

    >>> interval_digits(-0.012, -0.008, 2), interval_digits(-5.8, 0.6, 1)
    (3, 1)
    """
    half = (high - low) / 2
    return max(least, min(4, -floor(log10(half)))) if isfinite(half) and half > 0 else least


def verdict(
    kind: Kind,
    by: str,
    groups: tuple[str, str],
    pairs: Sequence[tuple[Sample, Sample]],
    found: Difference,
    margin: float | None,
    target: float | None,
    of: str = "balls",
) -> str:
    """The sentence.

    Parameters
    ----------
    kind : Kind
        The measure; its people's unit is used.
    by, groups
        The column and the two groups a, b; the difference is b - a.
    pairs : samples
        The balls behind it: one pair for a bowler, several for a pooled row.
    found : Difference
        In SI.
    margin : float, optional
        Differences below this do not matter, SI.
    target : float, optional
        The difference that ought to be shown, SI: sets how many more balls are asked for.
    of : "balls" or "bowlers"
        What the samples count: balls, or the means of bowlers who are in one group each.
    """
    missing = _missing(by, groups, pairs, of)
    if missing:
        return missing
    if not isfinite(found.se):
        return "no scatter in these values: check that they were measured, not typed in"
    unit, digits, scale = kind.people_unit, kind.digits, kind.scale
    a_words, b_words = (group_words(by, g) for g in groups)
    than = "" if by == "batter_hand" else f" than {a_words}"
    equal = margin is not None and equivalence_p(found, margin) < 0.05
    if found.p_value < 0.05:
        sign = 1.0 if found.value > 0 else -1.0
        near, far = sorted((sign * found.ci_low / scale, sign * found.ci_high / scale))
        word = kind.more if found.value > 0 else kind.less
        text = f"{word} {b_words}{than} by {number(abs(found.value) / scale, digits)} {unit}"
        text += f", 95 % interval {number(near, digits)} to {number(far, digits)}"
        if equal and margin is not None:
            text += f"; less than {margin / scale:g} {unit}"
    else:
        low, high = (number(v / scale, digits) for v in (found.ci_low, found.ci_high))
        seen = f"{float(number(found.value / scale, digits)):+g} {unit} {b_words}, 95 % interval {low} to {high}"
        if equal and margin is not None:
            return f"no difference larger than {margin / scale:g} {unit} ({seen})" + _hint(by, groups, pairs, of)
        text = _cannot_tell(by, pairs, kind, (target, margin), of) + f" ({seen})"
    return text + _hint(by, groups, pairs, of)


def _missing(by: str, groups: tuple[str, str], pairs: Sequence[tuple[Sample, Sample]], of: str) -> str:
    """What is wanting before anything can be said; "" if nothing is."""
    if not pairs:
        return "cannot tell: no bowler has two balls or more in both groups"
    counts = [sum(pair[i].n for pair in pairs) for i in (0, 1)]
    words = [_of_group(by, g, of) for g in groups]
    if counts == [0, 0]:
        return f"cannot tell: no {of} with this measure"
    for count, word in zip(counts, words, strict=True):
        if count == 0:
            return f"cannot tell: no {of} {word}, so nothing to compare"
    if min(s.n for pair in pairs for s in pair) < 2:
        return f"cannot tell: too few {of} ({counts[0]} {words[0]}, {counts[1]} {words[1]}); two of each is the least"
    return ""


def _hint(by: str, groups: tuple[str, str], pairs: Sequence[tuple[Sample, Sample]], of: str) -> str:
    for i in (0, 1):
        count = min(pair[i].n for pair in pairs)
        if count < FEW_BALLS:
            whose = "" if len(pairs) == 1 else " for one of the bowlers"
            return f"; a hint only: {count} {_one_or_many(count, of)} {_of_group(by, groups[i], of)}{whose}"
    return ""


def _one_or_many(count: int, of: str) -> str:
    return of if count != 1 else of.removesuffix("s")


def _of_group(by: str, group: str, of: str) -> str:
    return f"with the {group} arm" if (by, of) == ("arm", "bowlers") else group_words(by, group)


def _cannot_tell(
    by: str, pairs: Sequence[tuple[Sample, Sample]], kind: Kind, wanted: Sequence[float | None], of: str
) -> str:
    """How many more it takes for the first of the wanted differences that these balls could not show.

    A scatter seen in fewer than five balls foretells nothing: then only as many are asked for as it takes to judge it.
    """
    each = "to each hand" if by == "batter_hand" else "of each"
    fewest = min(s.n for pair in pairs for s in pair)
    if of == "balls" and all(min(a.n, b.n) < FEW_BALLS for a, b in pairs):
        return f"cannot tell yet: bowl {FEW_BALLS - fewest} more {each} to judge the scatter by"
    whose = "" if len(pairs) == 1 else ", each bowler,"
    sizes = [size for size in wanted if size is not None]
    if not sizes:
        return "not beyond chance"
    for size in sizes:
        more = more_balls(pairs, size)
        words = f"{size / kind.scale:g} {kind.people_unit}"
        if more is None:
            return f"cannot tell: these {of} scatter too much to show {words}"
        if more > 0:
            bowlers = f"{more} more {_one_or_many(more, of)} of each {'is' if more == 1 else 'are'} needed"
            what = f"bowl {more} more {each}{whose}" if of == "balls" else bowlers
            return f"cannot tell yet: {what} to show a difference of {words}"
    return f"cannot tell: enough {of} to show a difference, but this one lies near the margin"
