"""A whole machine under the service: the distribution's own kernel, emulated. `make vm`; see README.md here."""
