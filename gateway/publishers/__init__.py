"""Publishers: one receiver upstream each, behind one Protocol; and the payloads and texts they carry."""
