def criteria_view(clinic, patient, prescription):
    return None
