"""Ripple: small periodic terms of near-circular orbits, of the zonals beyond first-order J2 and of the tesserals."""
