"""What a decoder gets where a line is bad or somebody is malicious."""

from hypothesis import strategies as st


def mangled(octets):
    """Octets of which some are changed, cut out or doubled."""

    def mangle(cuts):
        wrong = bytearray(octets)
        for at, length, filling in cuts:
            place = at % (len(wrong) + 1)
            wrong[place : place + length] = filling
        return bytes(wrong)

    cut = st.tuples(st.integers(0, 10**6), st.integers(0, 8), st.binary(max_size=6))
    return st.lists(cut, min_size=1, max_size=4).map(mangle)
