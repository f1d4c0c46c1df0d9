"""Lists of (begin, end) in seconds, sorted and apart, and what can be done with them."""


def union(*lists):
    """All that any of the lists covers."""
    result = []
    for begin, end in sorted(span for spans in lists for span in spans):
        if end <= begin:
            continue
        if result and begin <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((begin, end))
    return result


def minus(spans, taken):
    """What of spans is left outside taken."""
    result = []
    taken = union(taken)
    for begin, end in union(spans):
        for low, high in taken:
            if high <= begin or low >= end:
                continue
            if low > begin:
                result.append((begin, low))
            begin = max(begin, high)
        if begin < end:
            result.append((begin, end))
    return result


def both(spans, others):
    """What both lists cover."""
    return sorted((max(begin, low), min(end, high)) for begin, end in spans
                  for low, high in others if max(begin, low) < min(end, high))


def inside(spans, time):
    """Whether a moment lies in one of the spans."""
    return any(begin <= time < end for begin, end in spans)


def widen(spans, before, after):
    """Every span longer by so much on either side."""
    return union([(begin - before, end + after) for begin, end in spans])


def total(spans):
    """Seconds covered."""
    return sum(end - begin for begin, end in spans)
