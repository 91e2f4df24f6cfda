"""The evaluation against the propagation of distributions (JCGM 101:2008)."""
