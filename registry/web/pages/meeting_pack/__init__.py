"""The pages on which a pack for the morbidity meeting is chosen and made."""
