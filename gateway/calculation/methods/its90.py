"""Between the temperature scales ITS-90, which thermometers read, and IPTS-68, on which older correlations rest."""

__all__ = ["ipts68_from_its90", "its90_from_ipts68"]


def ipts68_from_its90(t90_c: float) -> float:
    """IPTS-68 temperature in degC from ITS-90 in degC.

    t68 = t90 - d, d = tau (a1 + a2 tau + ... + a8 tau^7), tau = t90/630: API MPMS 11.1 (2004), 11.1.5.3, the
    polynomial of the International Committee's ITS-90 text. Meant for -50..150 degC; the caller holds the limits.
    60 degF (ITS-90) gives 60.0068749 degF (IPTS-68).
    """
    tau = t90_c / 630.0
    difference = (
        ((((((-3.536296 * tau + 7.438081) * tau - 1.871251) * tau - 4.089591) * tau + 1.269056) * tau + 1.080760) * tau
         - 0.267408) * tau - 0.148759
    ) * tau  # fmt: skip
    return t90_c - difference


def its90_from_ipts68(t68_c: float) -> float:
    """ITS-90 temperature in degC from IPTS-68 in degC: the inverse of `ipts68_from_its90`, to 1e-12 degC."""
    t90_c = t68_c
    # The two scales differ by less than 0.04 degC and the slope of the difference is below 3e-4: four rounds suffice.
    for _ in range(4):
        t90_c += t68_c - ipts68_from_its90(t90_c)
    return t90_c
