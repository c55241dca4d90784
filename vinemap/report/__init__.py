"""The report: what owner, insurer, programme or adviser needs on one page, with its appendix."""
