"""An ERP's night: it signs in by itself, counts what is out of service, and asks again without being told twice.

Driven by a client that is generated from the published contract and by nothing else. The argument is the line of JSON that
`cargo xtask up --json` prints.
"""

import sys
from http import HTTPStatus
from uuid import uuid4

from answers import given, refused, succeeded
from clampward_client import AuthenticatedClient, Client
from clampward_client.api.people import create_service_account, list_users
from clampward_client.api.reports import report_out_of_service
from clampward_client.api.sign_in import client_token
from clampward_client.models import (
    ClientCredentialsRequest,
    Grouping,
    NewServiceAccount,
    NewServiceAccountAnswer,
    OutOfServiceReport,
    Role,
    YardsType0,
)
from demo import Demo

BY = [Grouping.YARD, Grouping.REASON]


def account(demo: Demo) -> NewServiceAccountAnswer:
    """The account that an administrator hands out; sent twice under its key, there is one."""
    administrator = demo.person("administrator")
    new = NewServiceAccount(name="Plant ERP, nightly counts", yards=YardsType0.ALL)
    key = str(uuid4())
    first = succeeded(create_service_account.sync(client=administrator, body=new, idempotency_key=key))
    again = succeeded(create_service_account.sync(client=administrator, body=new, idempotency_key=key))
    assert (again.id, again.client_secret) == (first.id, first.client_secret)
    assert first.roles == [Role.INTEGRATION]
    return first


def signed_in(url: str, client_id: str, secret: str) -> AuthenticatedClient:
    form = ClientCredentialsRequest(grant_type="client_credentials", client_id=client_id, client_secret=secret)
    token = succeeded(client_token.sync(client=Client(url), body=form))
    return AuthenticatedClient(url, token=token.access_token)


def a_wrong_secret_opens_nothing(url: str, client_id: str) -> None:
    form = ClientCredentialsRequest(grant_type="client_credentials", client_id=client_id, client_secret="another")
    problem = refused(client_token.sync_detailed(client=Client(url), body=form))
    assert (problem.code, problem.status) == ("invalid-client", 401)


def counts_by_yard_and_reason(erp: AuthenticatedClient) -> tuple[OutOfServiceReport, str]:
    answer = report_out_of_service.sync_detailed(client=erp, group_by=BY)
    report = answer.parsed
    assert isinstance(report, OutOfServiceReport), report
    assert report.group_by == BY
    assert report.total_clamps.tagged_out > 0
    reasons = {given(item.reason) for item in report.items if item.tagged_out}
    assert "shackle_eye_worn" in reasons, reasons
    yards = {given(item.yard).code for item in report.items}
    assert len(yards) > 1, yards
    assert int(answer.headers["clampward-position"]) > 0
    return report, answer.headers["etag"]


def asks_again(erp: AuthenticatedClient, etag: str) -> None:
    """Nothing has changed: the answer has no body and costs next to nothing."""
    knowing = erp.with_headers({"If-None-Match": etag})
    answer = report_out_of_service.sync_detailed(client=knowing, group_by=BY)
    assert (answer.status_code, answer.content) == (HTTPStatus.NOT_MODIFIED, b""), answer
    # Other counts have another tag, so that nobody takes the one for the other.
    other = report_out_of_service.sync_detailed(client=knowing, group_by=[Grouping.YARD])
    assert other.status_code == HTTPStatus.OK


def sees_no_people(erp: AuthenticatedClient) -> None:
    problem = refused(list_users.sync_detailed(client=erp))
    assert problem.code == "not-allowed"


def main() -> None:
    demo = Demo(sys.argv[1])
    account_of_erp = account(demo)
    client_id = str(account_of_erp.client_id)
    a_wrong_secret_opens_nothing(demo.url, client_id)
    erp = signed_in(demo.url, client_id, account_of_erp.client_secret)
    report, etag = counts_by_yard_and_reason(erp)
    asks_again(erp, etag)
    sees_no_people(erp)
    print(f"Python: {report.total_clamps.tagged_out} clamps tagged out in {len(report.items)} groups, as an ERP counts them")


if __name__ == "__main__":
    main()
