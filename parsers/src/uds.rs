//! Services of ISO 14229-1:2020 as a listener sees them, with the emissions services of SAE J1979
//! and the few of ISO 14230-3 that older modules still answer.

mod by_status;
mod report;

pub use by_status::{DtcByStatus, DtcsByStatus, StatusOfDtc, Storage};
pub use report::{DtcRecord, DtcReport, format_name, severity};

/// A service: request identifier, name in the standard, and how many bytes after it a positive
/// answer repeats.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Service {
    /// Service identifier of the request.
    pub id: u8,
    /// Its name.
    pub name: &'static str,
    /// Bytes that the answer repeats from the request.
    pub echo: usize,
}

const fn service(id: u8, name: &'static str, echo: usize) -> Service {
    Service { id, name, echo }
}

/// Known services. 01 to 0A: SAE J1979; 10 to 3E and 84 to 87: ISO 14229-1:2020, table 23; 83: the
/// edition of 2013, the last to have it (from memory); 18, 1A, 20, 21: ISO 14230-3.
pub const SERVICES: [Service; 41] = [
    service(0x01, "current data", 1),
    service(0x02, "freeze frame", 1),
    service(0x03, "stored codes", 0),
    service(0x04, "clear codes", 0),
    service(0x05, "oxygen sensor tests", 1),
    service(0x06, "monitor test results", 1),
    service(0x07, "pending codes", 0),
    service(0x08, "control of a component", 1),
    service(0x09, "vehicle information", 1),
    service(0x0A, "permanent codes", 0),
    service(0x10, "DiagnosticSessionControl", 1),
    service(0x11, "ECUReset", 1),
    service(0x14, "ClearDiagnosticInformation", 0),
    service(0x18, "readDTCByStatus (ISO 14230-3)", 0),
    service(0x19, "ReadDTCInformation", 1),
    service(0x1A, "readEcuIdentification (ISO 14230-3)", 1),
    service(0x20, "stopDiagnosticSession (ISO 14230-3)", 0),
    service(0x21, "readDataByLocalIdentifier (ISO 14230-3)", 1),
    service(0x22, "ReadDataByIdentifier", 2),
    service(0x23, "ReadMemoryByAddress", 0),
    service(0x24, "ReadScalingDataByIdentifier", 2),
    service(0x27, "SecurityAccess", 1),
    service(0x28, "CommunicationControl", 1),
    service(0x29, "Authentication", 1),
    service(0x2A, "ReadDataByPeriodicIdentifier", 0),
    service(0x2C, "DynamicallyDefineDataIdentifier", 1),
    service(0x2E, "WriteDataByIdentifier", 2),
    service(0x2F, "InputOutputControlByIdentifier", 2),
    service(0x31, "RoutineControl", 3),
    service(0x34, "RequestDownload", 0),
    service(0x35, "RequestUpload", 0),
    service(0x36, "TransferData", 1),
    service(0x37, "RequestTransferExit", 0),
    service(0x38, "RequestFileTransfer", 1),
    service(0x3D, "WriteMemoryByAddress", 0),
    service(0x3E, "TesterPresent", 1),
    service(0x83, "AccessTimingParameter", 1),
    service(0x84, "SecuredDataTransmission", 0),
    service(0x85, "ControlDTCSetting", 1),
    service(0x86, "ResponseOnEvent", 1),
    service(0x87, "LinkControl", 1),
];

/// The service of a request identifier.
pub fn service_of(id: u8) -> Option<&'static Service> {
    SERVICES.iter().find(|service| service.id == id)
}

/// Services with a sub-function, whose highest bit suppresses a positive answer (ISO 14229-1:2020,
/// 8.2.2).
pub fn has_sub_function(id: u8) -> bool {
    matches!(
        id,
        0x10 | 0x11 | 0x19 | 0x27 | 0x28 | 0x29 | 0x2C | 0x31 | 0x3E | 0x83 | 0x85 | 0x86 | 0x87
    )
}

/// A message of the application layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Message<'a> {
    /// A request of a known service.
    Request {
        /// The service.
        service: &'static Service,
        /// What follows the service identifier.
        data: &'a [u8],
    },
    /// A positive answer.
    Positive {
        /// The service answered.
        service: &'static Service,
        /// What follows.
        data: &'a [u8],
    },
    /// A negative answer.
    Negative {
        /// Service identifier refused.
        service: u8,
        /// Why, see [`negative_text`].
        reason: u8,
    },
    /// Neither.
    Unknown,
}

impl<'a> Message<'a> {
    /// Tells request and answers apart by the first byte (ISO 14229-1:2020, 8.3 and 8.4).
    ///
    /// ```
    /// use lostnode_parsers::uds::Message;
    /// let refused = Message::parse(&[0x7F, 0x19, 0x11]);
    /// assert!(matches!(refused, Message::Negative { service: 0x19, reason: 0x11 }));
    /// let answer = Message::parse(&[0x62, 0xF1, 0x90]);
    /// assert!(matches!(answer, Message::Positive { service, .. } if service.id == 0x22));
    /// ```
    pub fn parse(data: &'a [u8]) -> Message<'a> {
        match data {
            [0x7F, service, reason] => Message::Negative { service: *service, reason: *reason },
            [first, rest @ ..] => {
                match (service_of(*first), first.checked_sub(0x40).and_then(service_of)) {
                    (Some(service), _) => Message::Request { service, data: rest },
                    (None, Some(service)) => Message::Positive { service, data: rest },
                    (None, None) => Message::Unknown,
                }
            }
            [] => Message::Unknown,
        }
    }
}

/// Meanings of negative answers, from one reason to another (ISO 14229-1:2020, A.1), worded by us.
pub const NEGATIVE: [(u8, u8, &str); 47] = [
    (0x10, 0x10, "refused, no reason given"),
    (0x11, 0x11, "service not supported"),
    (0x12, 0x12, "sub-function not supported"),
    (0x13, 0x13, "message length or format wrong"),
    (0x14, 0x14, "answer would be too long"),
    (0x21, 0x21, "busy, repeat the request"),
    (0x22, 0x22, "conditions not right"),
    (0x24, 0x24, "request out of sequence"),
    (0x25, 0x25, "a module behind the gateway does not answer"),
    (0x26, 0x26, "a failure prevents it"),
    (0x31, 0x31, "request out of range"),
    (0x33, 0x33, "security access denied"),
    (0x34, 0x34, "authentication required"),
    (0x35, 0x35, "key is wrong"),
    (0x36, 0x36, "too many attempts"),
    (0x37, 0x37, "required delay has not passed"),
    (0x38, 0x38, "secured transmission required"),
    (0x39, 0x39, "secured transmission not allowed"),
    (0x3A, 0x3A, "secured transmission could not be verified"),
    (0x50, 0x5D, "certificate or authentication check failed"),
    (0x70, 0x70, "upload or download not accepted"),
    (0x71, 0x71, "transfer suspended"),
    (0x72, 0x72, "programming failed"),
    (0x73, 0x73, "wrong block counter"),
    (0x78, 0x78, "request received, answer pending"),
    (0x7E, 0x7E, "sub-function not supported in this session"),
    (0x7F, 0x7F, "service not supported in this session"),
    (0x81, 0x81, "engine speed too high"),
    (0x82, 0x82, "engine speed too low"),
    (0x83, 0x83, "engine is running"),
    (0x84, 0x84, "engine is not running"),
    (0x85, 0x85, "engine run time too short"),
    (0x86, 0x86, "temperature too high"),
    (0x87, 0x87, "temperature too low"),
    (0x88, 0x88, "vehicle speed too high"),
    (0x89, 0x89, "vehicle speed too low"),
    (0x8A, 0x8A, "pedal pressed too far"),
    (0x8B, 0x8B, "pedal not pressed far enough"),
    (0x8C, 0x8C, "transmission not in neutral"),
    (0x8D, 0x8D, "transmission not in gear"),
    (0x8F, 0x8F, "brake switch not closed"),
    (0x90, 0x90, "shift lever not in park"),
    (0x91, 0x91, "torque converter clutch locked"),
    (0x92, 0x92, "voltage too high"),
    (0x93, 0x93, "voltage too low"),
    (0x94, 0x94, "resource temporarily unavailable"),
    (0xF0, 0xFE, "maker's own condition not right"),
];

/// Meaning of a negative answer.
pub fn negative_text(reason: u8) -> &'static str {
    NEGATIVE
        .iter()
        .find(|(first, last, _)| (*first..=*last).contains(&reason))
        .map_or("reserved reason", |(.., text)| text)
}

/// Not an end of the exchange: the answer follows (ISO 14229-1:2020, A.1).
pub const RESPONSE_PENDING: u8 = 0x78;

/// Identification data identifiers (ISO 14229-1:2020, table C.1), worded by us.
pub const IDENTIFICATION: [(u16, &str); 27] = [
    (0xF180, "boot software identification"),
    (0xF181, "application software identification"),
    (0xF182, "application data identification"),
    (0xF183, "boot software fingerprint"),
    (0xF184, "application software fingerprint"),
    (0xF185, "application data fingerprint"),
    (0xF186, "active diagnostic session"),
    (0xF187, "maker's spare part number"),
    (0xF188, "maker's ECU software number"),
    (0xF189, "maker's ECU software version"),
    (0xF18A, "system supplier"),
    (0xF18B, "ECU manufacturing date"),
    (0xF18C, "ECU serial number"),
    (0xF18E, "maker's kit assembly part number"),
    (0xF190, "VIN"),
    (0xF191, "maker's ECU hardware number"),
    (0xF192, "supplier's ECU hardware number"),
    (0xF193, "supplier's ECU hardware version"),
    (0xF194, "supplier's ECU software number"),
    (0xF195, "supplier's ECU software version"),
    (0xF197, "system name or engine type"),
    (0xF198, "repair shop or tester serial number"),
    (0xF199, "programming date"),
    (0xF19D, "installation date"),
    (0xF19E, "data description file"),
    (0xF1A0, "maker's own identification"),
    (0xF1A2, "maker's own identification"),
];

/// Name of an identification data identifier.
pub fn identification(did: u16) -> Option<&'static str> {
    IDENTIFICATION.iter().find(|(known, _)| *known == did).map(|(_, name)| *name)
}
