package settings_test

// mistakes are the files of testdata/settings, each with all that is to be said
// about it.
func mistakes() map[string][]string {
	return map[string][]string{
		"a-list": {
			`a-list.yaml:1:1: a map (key: value) is expected here, not a list`,
		},
		"bad-address": {
			`bad-address.yaml:3:9: mail.from: a mail address is expected here`,
		},
		"bulk": {
			`bulk.yaml:5:15: sources.bulk.password: secrets are not written here: put it into a file that only this program may read, name that file under password-file, and change the secret, which has been seen`,
			`bulk.yaml:6:12: sources.bulk.level: group is expected here if the id of a Group stands under group, and only then`,
			`bulk.yaml:7:18: sources.bulk.type-filter: searches such as Procedure?status=completed are expected here, with %2C for a comma and %20 for a blank`,
			`bulk.yaml:8:17: sources.bulk.file-hosts: addresses such as https://files.example.org, without a path, are expected here`,
			`bulk.yaml:9:18: sources.bulk.every-hours: 0 is out of range; from 1 to 168 is allowed`,
			`bulk.yaml:10:18: sources.bulk.limit-hours: 200 is out of range; from 1 to 168 is allowed`,
			`bulk.yaml:11:13: sources.bulk.counts: unknown word "believe"; one of check, ignore is expected`,
			`bulk.yaml:12:5: sources.bulk: unknown key "polls"; known here: aliases, basic, ca, client-certificate, counts, every-hours, file-hosts, group, level, limit-hours, output-format, password, reconcile-days, smart, token, token-file, type-filter, url`,
		},
		"bulk-rarely": {
			`bulk-rarely.yaml:3:3: sources.bulk.every-hours: 72 hours are not less than numbers.feed-stale-days (3); the source would be called silent between two exports`,
			`bulk-rarely.yaml:3:53: sources.bulk.group: an id of FHIR is expected here: letters, digits, - and . only, at most 64`,
			`bulk-rarely.yaml:3:76: sources.bulk.level: group is expected here if the id of a Group stands under group, and only then`,
			`bulk-rarely.yaml:3:96: sources.bulk.file-hosts: addresses such as https://files.example.org, without a path, are expected here`,
		},
		"care-twice": {
			`care-twice.yaml:5:13: care.protocols[1].use: svs-aaa-2018 stands here twice with the same date`,
		},
		"care-without-use": {
			`care-without-use.yaml:4:7: care.protocols[0].use: is missing; text is expected`,
		},
		"device-twice": {
			`device-twice.yaml:5:14: labelling[1].devices: the device 9990000000012 stands here twice`,
			`device-twice.yaml:5:14: labelling[1].devices: "-" is no device identifier`,
			`device-twice.yaml:7:5: labelling[2].devices: is missing; a list of device identifiers is expected`,
		},
		"empty": {
			`empty.yaml:1:1: site is missing; a map with name and zone is expected`,
		},
		"key-twice": {
			`key-twice.yaml:4:3: the key "path" stands twice in this map, first on line 3`,
		},
		"listen-everywhere": {
			`listen-everywhere.yaml:3:11: web.listen: the pages have no accounts yet, so whoever reaches them reads them: only 127.0.0.1, ::1 or localhost is allowed`,
		},
		"listen-name": {
			`listen-name.yaml:3:11: web.listen: the pages have no accounts yet, so whoever reaches them reads them: only 127.0.0.1, ::1 or localhost is allowed`,
		},
		"listen-no-port": {
			`listen-no-port.yaml:3:11: web.listen: host and port are expected here, such as 127.0.0.1:8420`,
		},
		"local-zone": {
			`local-zone.yaml:3:9: site.zone: no time zone has the name "Local"; an IANA name such as Europe/Lisbon or America/Chicago is expected`,
		},
		"login-in-url": {
			`login-in-url.yaml:4:10: sources.rest.url: the address holds a user name or password; take them out; a login stands under token-file, basic or smart`,
		},
		"names-maybe": {
			`names-maybe.yaml:3:10: digest.names: yes or no is expected here, not "maybe"`,
		},
		"no-such-day": {
			`no-such-day.yaml:4:10: site.start: a date written YYYY-MM-DD is expected here, not "2026-02-30"`,
		},
		"no-zone": {
			`no-zone.yaml:2:3: site.zone: is missing; text is expected`,
		},
		"nobody-to-write-to": {
			`nobody-to-write-to.yaml:3:3: mail.recipients: is missing; a mail server is named, but nobody to write to`,
		},
		"not-an-address": {
			`not-an-address.yaml:4:10: sources.rest.url: an address that begins with https:// (or http://) is expected here`,
		},
		"number-order": {
			`number-order.yaml:3:3: numbers.report-asap-days: 30 is less than report-days (40); it must not be`,
		},
		"number-range": {
			`number-range.yaml:3:18: numbers.lost-attempts: 0 is out of range; from 1 to 20 is allowed`,
			`number-range.yaml:4:14: numbers.lead-days: a whole number is expected here, not "soon"`,
		},
		"out-also": {
			`out-also.yaml:4:9: out.also: unknown word "careplan" (did you mean "care-plan"?)`,
			`out-also.yaml:4:9: out.also: unknown word "order"; one of care-plan, service-request, flag, communication, provenance, audit-event is expected`,
			`out-also.yaml:4:9: out.also: care-plan stands here twice`,
			`out-also.yaml:4:9: out.also: is of no use while the mode is off: nothing is written`,
		},
		"out-mode": {
			`out-mode.yaml:3:9: out.mode: unknown word "sent" (did you mean "send"?)`,
		},
		"out-write": {
			`out-write.yaml:5:13: out.rest.create: unknown word "always"; one of auto, conditional, plain, none is expected`,
			`out-write.yaml:6:12: out.rest.batch: yes or no is expected here, not "50"`,
			`out-write.yaml:7:14: out.rest.aliases: names of hosts, such as fhir.inside.example or fhir.inside.example:8443, are expected here`,
			`out-write.yaml:8:5: out.rest: unknown key "overlap-minutes"; known here: aliases, basic, batch, ca, client-certificate, create, password, smart, token, token-file, url`,
		},
		"partial-date": {
			`partial-date.yaml:4:17: site.records-from: a date written YYYY-MM-DD is expected here, not "2015"`,
		},
		"login-in-clear": {
			`login-in-clear.yaml:7:17: sources.rest.basic.password: secrets are not written here: put it into a file that only this program may read, name that file under password-file, and change the secret, which has been seen`,
			`login-in-clear.yaml:13:22: out.rest.smart.client-secret: this login needs no shared secret but a key pair: name the file of the private key under key-file, and change the secret, which has been seen`,
			`login-in-clear.yaml:14:12: out.rest.smart.key: secrets are not written here: put it into a file that only this program may read, name that file under key-file, and change the secret, which has been seen`,
		},
		"login-twice": {
			`login-twice.yaml:6:13: sources.rest.basic: token-file is given too; only one login is used: take one of them out`,
		},
		"login-without-tls": {
			`login-without-tls.yaml:4:10: sources.rest.url: the password would go where others can read it; an address that begins with https:// is needed`,
			`login-without-tls.yaml:8:10: out.rest.url: the token would go where others can read it; an address that begins with https:// is needed`,
			`login-without-tls.yaml:10:7: out.rest.smart.client-id: is missing; text is expected`,
			`login-without-tls.yaml:10:7: out.rest.smart.key-file: is missing; text is expected`,
			`login-without-tls.yaml:10:7: out.rest.smart: unknown key "clientid" (did you mean "client-id"?)`,
			`login-without-tls.yaml:11:18: out.rest.smart.token-url: what goes there must be encrypted; an address that begins with https:// is needed`,
			`login-without-tls.yaml:12:9: out.rest.ca: is of no use at an address without https`,
			`login-without-tls.yaml:14:7: out.rest.client-certificate: is of no use at an address without https`,
		},
		"patients-twice": {
			`patients-twice.yaml:5:16: sources.rest.patients: one of group, list and file is expected here`,
		},
		"pull": {
			`pull.yaml:5:14: sources.rest.aliases: names of hosts, such as fhir.inside.example or fhir.inside.example:8443, are expected here`,
			`pull.yaml:6:22: sources.rest.overlap-minutes: 2 is out of range; from 3 to 1440 is allowed`,
			`pull.yaml:7:13: sources.rest.counts: unknown word "believe"; one of check, ignore is expected`,
			`pull.yaml:8:23: sources.rest.patients.group: an id of FHIR is expected here: letters, digits, - and . only, at most 64`,
		},
		"password-in-clear": {
			`password-in-clear.yaml:5:13: mail.password: secrets are not written here: put it into a file that only this program may read, name that file under password-file, and change the secret, which has been seen`,
		},
		"read-side": {
			`read-side.yaml:4:12: web.fhir.token: secrets are not written here: put it into a file that only this program may read, name that file under token-file, and change the secret, which has been seen`,
			`read-side.yaml:5:10: web.fhir.url: the address must end with /fhir, where the endpoint answers`,
			`read-side.yaml:7:5: web.cds-hooks: issuer, audience and key-set belong together: all three or none`,
			`read-side.yaml:7:14: web.cds-hooks.origins: origins such as https://records.example.org, without a path, are expected here; each is named, * is not allowed`,
			`read-side.yaml:8:14: web.cds-hooks.servers: base addresses such as https://fhir.example.org/r4 are expected here`,
			`read-side.yaml:10:5: web.cds-hooks: unknown key "keyset" (did you mean "key-set"?)`,
		},
		"recipient-twice": {
			`recipient-twice.yaml:7:17: mail.recipients[1].address: this recipient stands here twice`,
			`recipient-twice.yaml:7:38: mail.recipients[1].role: unknown word "boss"; one of nurse, lead, quality, it is expected`,
		},
		"send-nowhere": {
			`send-nowhere.yaml:3:3: out.mode: send needs a way out: mail.host for digests or out.rest.url for Tasks`,
		},
		"study-twice": {
			`study-twice.yaml:4:13: studies[1].study: ResearchStudy/a stands here twice`,
			`study-twice.yaml:4:75: studies[1].care: yes or no is expected here, not "maybe"`,
			`study-twice.yaml:5:36: studies[2].name: another study has the name "A"`,
		},
		"study-unnamed": {
			`study-unnamed.yaml:3:5: studies[0].protocol: is missing; text is expected`,
			`study-unnamed.yaml:3:12: studies[0].study: a reference (ResearchStudy/x) or an identifier (system|value) is expected here, not "harbour"`,
			`study-unnamed.yaml:5:5: studies[0]: unknown key "windows"; known here: care, name, protocol, study`,
		},
		"starttls-off": {
			`starttls-off.yaml:4:13: mail.starttls: mail about patients is sent through an encrypted connection or not at all: required is the only value`,
		},
		"tab": {
			`tab.yaml:2:1: this is not readable as YAML: found character '	' that cannot start any token`,
		},
		"time-of-day": {
			`time-of-day.yaml:3:7: digest.at: a time of day such as 07:05 is expected here, not "25:00"`,
			`time-of-day.yaml:5:15: times.nightly-at: a time of day such as 07:05 is expected here, not "half past two"`,
		},
		"token-in-clear": {
			`token-in-clear.yaml:5:12: sources.rest.token: secrets are not written here: put it into a file that only this program may read, name that file under token-file, and change the secret, which has been seen`,
		},
		"token-without-tls": {
			`token-without-tls.yaml:4:10: sources.rest.url: the token would go where others can read it; an address that begins with https:// is needed`,
		},
		"two-lines": {
			`two-lines.yaml:2:9: site.name: text on one line is expected here`,
		},
		"unknown-keys": {
			`unknown-keys.yaml:4:3: site: unknown key "recordsfrom" (did you mean "records-from"?)`,
			`unknown-keys.yaml:5:1: unknown key "storage" (did you mean "store"?)`,
			`unknown-keys.yaml:8:3: out: unknown key "modus" (did you mean "mode"?)`,
		},
		"unknown-zone": {
			`unknown-zone.yaml:3:9: site.zone: no time zone has the name "Europe/Atlantis"; an IANA name such as Europe/Lisbon or America/Chicago is expected`,
		},
		"user-without-password": {
			`user-without-password.yaml:3:3: mail.password-file: is missing; mail.user needs the file that holds the password`,
		},
		"webhook": {
			`webhook.yaml:5:5: sources.webhook.certificate-file: is missing; key-file is of no use without it`,
			`webhook.yaml:5:13: sources.webhook.listen: the secret would go where others can read it; certificate-file and key-file are needed, or 127.0.0.1 behind a proxy that has them`,
			`webhook.yaml:6:13: sources.webhook.secret: secrets are not written here: put it into a file that only this program may read, name that file under secret-file, and change the secret, which has been seen`,
			`webhook.yaml:7:13: sources.webhook.header: the name of a header is expected here, such as Authorization or X-Hook-Secret`,
		},
		"webhook-in-clear": {
			`webhook-in-clear.yaml:4:13: sources.webhook.key-file: is missing; certificate-file needs the file with its key`,
			`webhook-in-clear.yaml:4:21: sources.webhook.listen: host and port are expected here, such as 127.0.0.1:8421`,
		},
		"webhook-open": {
			`webhook-open.yaml:3:13: sources.webhook: is of no use without a server to look at; rest or bulk is expected beside it`,
			`webhook-open.yaml:3:21: sources.webhook.listen: others can reach this address, so it needs secret-file or client-ca; without them only 127.0.0.1, ::1 or localhost is allowed`,
		},
		"webhook-readable": {
			`webhook-readable.yaml:4:21: sources.webhook.listen: the secret would go where others can read it; certificate-file and key-file are needed, or 127.0.0.1 behind a proxy that has them`,
			`webhook-readable.yaml:4:75: sources.webhook.client-ca: client certificates need TLS; name this computer's certificate under certificate-file`,
		},
	}
}
