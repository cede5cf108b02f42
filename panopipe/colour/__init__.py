"""Colour science: spaces, transfer curves, adaptation, temperature."""
