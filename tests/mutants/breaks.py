"""The ways in which the program is broken on purpose: each is one that would put a wrong number before somebody."""

from tests.mutants.a_break import Break
from tests.mutants.access_breaks import ACCESS_BREAKS
from tests.mutants.account_breaks import ACCOUNT_BREAKS
from tests.mutants.account_desk_breaks import ACCOUNT_DESK_BREAKS
from tests.mutants.acquisition_breaks import ACQUISITION_BREAKS
from tests.mutants.action_breaks import ACTION_BREAKS
from tests.mutants.alarm_breaks import ALARM_BREAKS
from tests.mutants.balance_breaks import BALANCE_BREAKS
from tests.mutants.broker_breaks import BROKER_BREAKS
from tests.mutants.calculation_breaks import CALCULATION_BREAKS
from tests.mutants.condition_breaks import CONDITION_BREAKS
from tests.mutants.course_breaks import COURSE_BREAKS
from tests.mutants.delivery_breaks import DELIVERY_BREAKS
from tests.mutants.evidence_breaks import EVIDENCE_BREAKS
from tests.mutants.files_breaks import FILES_BREAKS
from tests.mutants.in_step_breaks import IN_STEP_BREAKS
from tests.mutants.keeping_on_breaks import KEEPING_ON_BREAKS
from tests.mutants.ledger_part_breaks import LEDGER_PART_BREAKS
from tests.mutants.level_breaks import LEVEL_BREAKS
from tests.mutants.live_view_breaks import LIVE_VIEW_BREAKS
from tests.mutants.loss_breaks import LOSS_BREAKS
from tests.mutants.method_breaks import METHOD_BREAKS
from tests.mutants.notification_breaks import NOTIFICATION_BREAKS
from tests.mutants.page_account_breaks import PAGE_ACCOUNT_BREAKS
from tests.mutants.page_act_breaks import PAGE_ACT_BREAKS
from tests.mutants.page_answer_breaks import PAGE_ANSWER_BREAKS
from tests.mutants.page_breaks import PAGE_BREAKS
from tests.mutants.postgresql_breaks import POSTGRESQL_BREAKS
from tests.mutants.process_breaks import PROCESS_BREAKS
from tests.mutants.product_breaks import PRODUCT_BREAKS
from tests.mutants.provider_breaks import PROVIDER_BREAKS
from tests.mutants.record_breaks import RECORD_BREAKS
from tests.mutants.register_breaks import REGISTER_BREAKS
from tests.mutants.report_breaks import REPORT_BREAKS
from tests.mutants.site_breaks import SITE_BREAKS
from tests.mutants.site_file_breaks import SITE_FILE_BREAKS
from tests.mutants.sparkplug_breaks import SPARKPLUG_BREAKS
from tests.mutants.table_breaks import TABLE_BREAKS
from tests.mutants.vapour_breaks import VAPOUR_BREAKS

__all__ = ["BREAKS", "Break"]

BREAKS: tuple[Break, ...] = (
    *ACCESS_BREAKS,
    *PROVIDER_BREAKS,
    *ACCOUNT_BREAKS,
    *ACCOUNT_DESK_BREAKS,
    *ACTION_BREAKS,
    *PRODUCT_BREAKS,
    *ACQUISITION_BREAKS,
    *IN_STEP_BREAKS,
    *LEDGER_PART_BREAKS,
    *LEVEL_BREAKS,
    *CALCULATION_BREAKS,
    *METHOD_BREAKS,
    *VAPOUR_BREAKS,
    *CONDITION_BREAKS,
    *DELIVERY_BREAKS,
    *BROKER_BREAKS,
    *EVIDENCE_BREAKS,
    *FILES_BREAKS,
    *NOTIFICATION_BREAKS,
    *REGISTER_BREAKS,
    *PAGE_ANSWER_BREAKS,
    *PAGE_BREAKS,
    *PAGE_ACT_BREAKS,
    *PAGE_ACCOUNT_BREAKS,
    *POSTGRESQL_BREAKS,
    *SPARKPLUG_BREAKS,
    *KEEPING_ON_BREAKS,
    *PROCESS_BREAKS,
    *RECORD_BREAKS,
    *SITE_BREAKS,
    *SITE_FILE_BREAKS,
    *TABLE_BREAKS,
    *ALARM_BREAKS,
    *LOSS_BREAKS,
    *COURSE_BREAKS,
    *BALANCE_BREAKS,
    *REPORT_BREAKS,
    *LIVE_VIEW_BREAKS,
)
