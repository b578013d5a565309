"""The compiled measuring of one averaged cross-section: ground, banks, sag and spoil."""
