//! Whether a unit is the one that the file means. Pure: what came of asking is handed in.

use zonda_config::IdentityPlan;
use zonda_config::identity::readings;
use zonda_model::Cause;
use zonda_protocol::modbus::identification::{ObjectId, Told};
use zonda_protocol::modbus::{Exception, Reply};

use crate::source::{Failure, Prospect};

/// Judges the objects of a device identification.
pub(crate) fn judge_objects(
    plan: &IdentityPlan,
    object: ObjectId,
    told: Told,
) -> Result<(), Failure> {
    let objects = match told {
        Told::Objects(objects) => objects,
        Told::Exception(exception) => return Err(will_not_say(plan, exception)),
    };
    let said = objects.iter().find(|(id, _)| *id == object);
    match said {
        Some((_, said)) if plan.expected.fits(said) => Ok(()),
        Some((_, said)) => Err(stranger(plan, &format!("its {object} is `{said}`"))),
        None => Err(stranger(plan, &format!("it says nothing of its {object}"))),
    }
}

/// Judges the registers that hold its number.
pub(crate) fn judge_registers(plan: &IdentityPlan, reply: Reply) -> Result<(), Failure> {
    match reply {
        Reply::Exception(exception) => Err(will_not_say(plan, exception)),
        Reply::Registers(registers) if plan.expected.fits_registers(&registers) => Ok(()),
        Reply::Registers(registers) => {
            let said = readings(&registers).join("` or `");
            Err(stranger(plan, &format!("its registers say `{said}`")))
        }
    }
}

fn stranger(plan: &IdentityPlan, found: &str) -> Failure {
    Failure {
        cause: Cause::Mismatch,
        detail: format!(
            "expected the device `{}`, found another: {found}; nothing of it is recorded",
            plan.expected
        ),
        prospect: Prospect::None,
    }
}

fn will_not_say(plan: &IdentityPlan, exception: Exception) -> Failure {
    Failure {
        cause: Cause::Mismatch,
        detail: format!(
            "expected the device `{}`, and this one will not say who it is: {exception}; look at the module's `identity`",
            plan.expected
        ),
        prospect: Prospect::None,
    }
}
