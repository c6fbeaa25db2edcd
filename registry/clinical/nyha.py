"""NYHA classes, written as clinicians write them."""

ROMAN = {1: "I", 2: "II", 3: "III", 4: "IV"}
