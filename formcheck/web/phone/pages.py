"""The pages of the computer on which a phone is paired with a patient, and the pairing ended.

The patient's own stands under /my/phone, the clinician's under the patient whose pages are open.
"""

from collections.abc import Callable

from formcheck.web.clinician.lists import patient_of
from formcheck.web.pages import call, get, go, post, render, site_of
from formcheck.web.patient.own import own_patient
from formcheck.web.phone.pairing import CODE_S, TooManyWrong


def routes() -> list:
    return [
        *_routes("/my/phone", own_patient, "my_phone.html.j2"),
        *_routes("/clinic/patients/{code}/phone", patient_of, "phone.html.j2"),
    ]


def _routes(at: str, whose: Callable, template: str) -> list:
    def shown(request, code: str = "", told: str = "", status: int = 200):
        patient, way = whose(request), site_of(request).phone
        link = way.link(code) if way and code else ""
        return render(
            request,
            template,
            status=status,
            patient=patient,
            way=way,
            at=at.format(code=patient.code),
            code=code,
            code_minutes=round(CODE_S / 60),
            qr=_drawn(link) if link else "",
            told="shut" if way and way.pairings.is_shut else told,
            n_paired=way.pairings.sessions.n_of_patient(patient.id) if way else 0,
            fingerprint=_in_lines(way.certificate.fingerprint) if way else (),
        )

    def new_code(request, fields):
        patient, way = whose(request), site_of(request).phone
        if way is None:
            return shown(request, status=409)
        try:
            return shown(request, code=way.pairings.new_code(patient.id))
        except TooManyWrong:
            return shown(request, told="shut", status=429)

    def end(request, fields):
        patient, way = whose(request), site_of(request).phone
        if way is not None:
            way.pairings.end_patient(patient.id)
        return go(request, at.format(code=patient.code), "unpaired")

    async def state(request):
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import JSONResponse

        patient, way = await run_in_threadpool(whose, request), site_of(request).phone
        return JSONResponse(
            {
                "is_waiting": way is not None and way.pairings.is_waiting(patient.id),
                "n_paired": way.pairings.sessions.n_of_patient(patient.id) if way else 0,
            }
        )

    return [
        get(at, shown),
        post(at, new_code),
        post(at + "/end", end),
        call(at + "/state", state, "GET"),
    ]


def _drawn(link: str) -> str:
    """The QR code of a link as SVG, with its quiet zone of 4 modules, dark on white in any
    scheme."""
    import segno

    return segno.make_qr(link, error="m").svg_inline(
        border=4, dark="#000", light="#fff", omitsize=True, svgclass="qr"
    )


def _in_lines(fingerprint: str) -> tuple[str, ...]:
    """Four lines of eight pairs, to be compared line by line."""
    pairs = fingerprint.split(":")
    return tuple(" ".join(pairs[n : n + 8]) for n in range(0, len(pairs), 8))
