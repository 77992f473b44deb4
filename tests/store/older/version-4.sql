BEGIN TRANSACTION;
CREATE TABLE audit (
	id INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	event TEXT NOT NULL, 
	user TEXT NOT NULL, 
	study_uid TEXT NOT NULL, 
	detail TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "audit" VALUES(1,1795637560422314,'study received','','1.2.3','CAMERA: 1.2.840.10008.5.1.4.1.1.1');
INSERT INTO "audit" VALUES(2,1795637560509396,'reading changed','ida','1.2.3','version 1');
INSERT INTO "audit" VALUES(3,1795637560518973,'final signed','ida','1.2.3','1.8.3');
INSERT INTO "audit" VALUES(4,1795637560558267,'different bytes','','1.2.3','object 1.2 came again from CAMERA with other content');
INSERT INTO "audit" VALUES(5,1795637560582081,'study received','','1.2.4','CAMERA: 1.2.840.10008.5.1.4.1.1.1');
INSERT INTO "audit" VALUES(6,1795637560583986,'node stopped','','','');
CREATE TABLE audit_exports (
	destination VARCHAR(256) NOT NULL, 
	last_id INTEGER NOT NULL, 
	PRIMARY KEY (destination)
);
CREATE TABLE audit_seals (
	audit_id INTEGER NOT NULL, 
	digest VARCHAR(64) NOT NULL, 
	PRIMARY KEY (audit_id), 
	FOREIGN KEY(audit_id) REFERENCES audit (id)
);
INSERT INTO "audit_seals" VALUES(1,'493ad894c8d992f55abb8873ace9c14101cc894b352d9133dca1d76739dfe86c');
INSERT INTO "audit_seals" VALUES(2,'fd446fd1d2ef059aa31da5a17fcd814dc81100c26fcd5c270709055f1654bc73');
INSERT INTO "audit_seals" VALUES(3,'9ff48c50c2e03a37cae7924658827381ce975f56ba368dca7cffc221ae20b1b9');
INSERT INTO "audit_seals" VALUES(4,'a57f587fef1d22cf516f2ed3d740e1bb0d17f1eddc4696c49be39123cef2561e');
INSERT INTO "audit_seals" VALUES(5,'2ee037233f1952b0afc27a15562599fd5ee29b816b51cc80bfe29b3a279ee290');
INSERT INTO "audit_seals" VALUES(6,'4f93ebe3b094531232b86d665b7b502a01e0c204fdb851661de334a3fdaa4138');
CREATE TABLE corrections (
	study_uid VARCHAR(64) NOT NULL, 
	image_uid VARCHAR(64) NOT NULL, 
	said TEXT NOT NULL, 
	user TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	PRIMARY KEY (study_uid, image_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
CREATE TABLE documents (
	id INTEGER NOT NULL, 
	sop_instance_uid VARCHAR(64) NOT NULL, 
	study_uid VARCHAR(64) NOT NULL, 
	kind VARCHAR(16) NOT NULL, 
	role VARCHAR(16) NOT NULL, 
	sop_class_uid VARCHAR(64) NOT NULL, 
	series_uid VARCHAR(64) NOT NULL, 
	blob VARCHAR(32) NOT NULL, 
	content TEXT NOT NULL, 
	signed_by TEXT NOT NULL, 
	signed_at BIGINT, 
	created_at BIGINT NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (sop_instance_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
INSERT INTO "documents" VALUES(1,'1.8.3','1.2.3','final','report','1.2.840.10008.5.1.4.1.1.88.33','1.8','1a89ac5d7511401ca09a42d27c3639e9','{"kind":"final","facts":{"study_uid":"1.2.3","accession_number":"","study_date":"","study_time":"","description":"","question":"","referring":"","institution":"","signalment":{"patient_name":"","patient_id":"","species":null,"species_code":null,"species_text":"","species_found_in":"","breed":"","birth_date":"","age_months":null,"sex":"","neutered":null,"responsible_person":""},"images":[],"remarks":[]},"template":{"study_uid":"1.2.3","revision":1,"species":"","regions":[],"views":[],"items":[],"groups":[],"order":["alignment","bone","cartilage","devices","soft_tissue"],"rule_outs":[],"cautions":[]},"reading":{"template_revision":1,"observations":{},"shown":[],"findings":[],"measurements":[],"rule_outs":[],"differentials":[],"history":"","technique":"","impression":"","recommendations":"","findings_text":null,"findings_generated":"","open_accepted":""},"signer":null,"signed_at":null,"findings_text":"","addenda":[],"corrections":[],"predecessors":[],"measured_before":[]}','ida',1795637560518973,1795637560518973);
CREATE TABLE instances (
	sop_instance_uid VARCHAR(64) NOT NULL, 
	study_uid VARCHAR(64) NOT NULL, 
	series_uid VARCHAR(64) NOT NULL, 
	sop_class_uid VARCHAR(64) NOT NULL, 
	transfer_syntax VARCHAR(64) NOT NULL, 
	modality TEXT NOT NULL, 
	patient_id TEXT NOT NULL, 
	patient_name TEXT NOT NULL, 
	series_number INTEGER NOT NULL, 
	instance_number INTEGER NOT NULL, 
	number_of_frames INTEGER NOT NULL, 
	rows INTEGER NOT NULL, 
	columns INTEGER NOT NULL, 
	series_description TEXT NOT NULL, 
	study_date TEXT NOT NULL, 
	study_time TEXT NOT NULL, 
	accession_number TEXT NOT NULL, 
	study_description TEXT NOT NULL, 
	blob VARCHAR(32) NOT NULL, 
	digest VARCHAR(64) NOT NULL, 
	size BIGINT NOT NULL, 
	source TEXT NOT NULL, 
	received_at BIGINT NOT NULL, 
	own BOOLEAN NOT NULL, 
	missing BOOLEAN NOT NULL, 
	PRIMARY KEY (sop_instance_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid), 
	UNIQUE (blob)
);
INSERT INTO "instances" VALUES('1.1','1.2.3','1.2.3.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','A1','Rex^Tester',0,0,0,0,0,'','','','','','f5f5075867754b0884cdb04207f73539','7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed',3,'CAMERA',1795637560422314,0,0);
INSERT INTO "instances" VALUES('1.2','1.2.3','1.2.3.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','A1','Rex^Tester',0,0,0,0,0,'','','','','','d859ea3e80424ef092fb745b63456d8d','3fc4ccfe745870e2c0d99f71f30ff0656c8dedd41cc1d7d3d376b0dbe685e2f3',3,'CAMERA',1795637560471028,0,0);
INSERT INTO "instances" VALUES('1.8.3','1.2.3','1.8','1.2.840.10008.5.1.4.1.1.88.33','1.2.840.10008.1.2.1','SR','','',9001,0,0,0,0,'','','','','','1a89ac5d7511401ca09a42d27c3639e9','be39df2ec84f1adee201cf9c6253a978f3012de1869f8cc50a575008e10fb38c',396,'this node',1795637560518973,1,0);
INSERT INTO "instances" VALUES('1.3','1.2.4','1.2.4.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','','',0,0,0,0,0,'','','','','','a380dda192ca403da4e00e1d3c7e9f73','8b5b9db0c13db24256c829aa364aa90c6d2eba318b9232a4ab9313b954d3555f',5,'CAMERA',1795637560582081,0,0);
CREATE TABLE list_lines (
	study_uid VARCHAR(64) NOT NULL, 
	question TEXT NOT NULL, 
	missing TEXT NOT NULL, 
	priority INTEGER NOT NULL, 
	priority_by TEXT NOT NULL, 
	PRIMARY KEY (study_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
INSERT INTO "list_lines" VALUES('1.2.3','','',0,'');
CREATE TABLE outbox (
	id INTEGER NOT NULL, 
	sop_instance_uid VARCHAR(64) NOT NULL, 
	study_uid VARCHAR(64) NOT NULL, 
	destination TEXT NOT NULL, 
	state VARCHAR(10) NOT NULL, 
	attempts INTEGER NOT NULL, 
	resends INTEGER NOT NULL, 
	next_at BIGINT, 
	leased_until BIGINT NOT NULL, 
	transaction_uid TEXT NOT NULL, 
	error TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(sop_instance_uid) REFERENCES documents (sop_instance_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
INSERT INTO "outbox" VALUES(1,'1.8.3','1.2.3','archive','owed',0,0,0,0,'','');
CREATE TABLE outbox_asks (
	transaction_uid VARCHAR(64) NOT NULL, 
	outbox_id INTEGER NOT NULL, 
	PRIMARY KEY (transaction_uid, outbox_id), 
	FOREIGN KEY(outbox_id) REFERENCES outbox (id)
);
CREATE TABLE prior_searches (
	study_uid VARCHAR(64) NOT NULL, 
	state VARCHAR(10) NOT NULL, 
	attempts INTEGER NOT NULL, 
	next_at BIGINT, 
	found INTEGER NOT NULL, 
	detail TEXT NOT NULL, 
	PRIMARY KEY (study_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
CREATE TABLE prior_studies (
	study_uid VARCHAR(64) NOT NULL, 
	prior_uid VARCHAR(64) NOT NULL, 
	peer TEXT NOT NULL, 
	study_date TEXT NOT NULL, 
	description TEXT NOT NULL, 
	state VARCHAR(10) NOT NULL, 
	detail TEXT NOT NULL, 
	PRIMARY KEY (study_uid, prior_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
CREATE TABLE quarantine (
	id INTEGER NOT NULL, 
	sop_instance_uid VARCHAR(64) NOT NULL, 
	study_uid VARCHAR(64) NOT NULL, 
	blob VARCHAR(32) NOT NULL, 
	digest VARCHAR(64) NOT NULL, 
	source TEXT NOT NULL, 
	received_at BIGINT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid), 
	UNIQUE (blob)
);
INSERT INTO "quarantine" VALUES(1,'1.2','1.2.3','a1791fe793114a3380f1fa43701c12eb','d9298a10d1b0735837dc4bd85dac641b0f3cef27a47e5d53a54f2f3f5b2fcffa','CAMERA',1795637560558267);
CREATE TABLE quarantine_decisions (
	quarantine_id INTEGER NOT NULL, 
	decision VARCHAR(8) NOT NULL, 
	reason TEXT NOT NULL, 
	user TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	PRIMARY KEY (quarantine_id), 
	FOREIGN KEY(quarantine_id) REFERENCES quarantine (id)
);
CREATE TABLE reopenings (
	study_uid VARCHAR(64) NOT NULL, 
	of_uid VARCHAR(64) NOT NULL, 
	was VARCHAR(10) NOT NULL, 
	reason TEXT NOT NULL, 
	user TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	images INTEGER NOT NULL, 
	late_objects INTEGER NOT NULL, 
	PRIMARY KEY (study_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
CREATE TABLE schema_version (
	version INTEGER NOT NULL
);
INSERT INTO "schema_version" VALUES(4);
CREATE TABLE sessions (
	token_hash VARCHAR(128) NOT NULL, 
	user VARCHAR(64) NOT NULL, 
	csrf TEXT NOT NULL, 
	expires BIGINT NOT NULL, 
	PRIMARY KEY (token_hash), 
	FOREIGN KEY(user) REFERENCES users (name)
);
CREATE TABLE studies (
	study_uid VARCHAR(64) NOT NULL, 
	patient_id TEXT NOT NULL, 
	patient_name TEXT NOT NULL, 
	species TEXT NOT NULL, 
	study_date TEXT NOT NULL, 
	study_time TEXT NOT NULL, 
	accession_number TEXT NOT NULL, 
	description TEXT NOT NULL, 
	regions TEXT NOT NULL, 
	state VARCHAR(10) NOT NULL, 
	stale BOOLEAN NOT NULL, 
	detail TEXT NOT NULL, 
	reader TEXT NOT NULL, 
	images INTEGER NOT NULL, 
	remarks_count INTEGER NOT NULL, 
	late_objects INTEGER NOT NULL, 
	last_object_at BIGINT NOT NULL, 
	latest_at BIGINT NOT NULL, 
	template_revision INTEGER NOT NULL, 
	facts TEXT NOT NULL, 
	template TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	reading TEXT NOT NULL, 
	saved_at BIGINT NOT NULL, 
	PRIMARY KEY (study_uid)
);
INSERT INTO "studies" VALUES('1.2.3','','','','','','','','["carpus"]','signed',0,'','ida',2,0,0,1795637560471028,1795637560518973,1,'{"study_uid":"1.2.3","accession_number":"","study_date":"","study_time":"","description":"","question":"","referring":"","institution":"","signalment":{"patient_name":"","patient_id":"","species":null,"species_code":null,"species_text":"","species_found_in":"","breed":"","birth_date":"","age_months":null,"sex":"","neutered":null,"responsible_person":""},"images":[],"remarks":[]}','{"study_uid":"1.2.3","revision":1,"species":"","regions":["carpus"],"views":[],"items":[],"groups":[],"order":["alignment","bone","cartilage","devices","soft_tissue"],"rule_outs":[],"cautions":[]}',1,'{"template_revision":1,"observations":{},"shown":[],"findings":[],"measurements":[],"rule_outs":[],"differentials":[],"history":"","technique":"","impression":"Sound.","recommendations":"","findings_text":null,"findings_generated":"","open_accepted":""}',1795637560509396);
INSERT INTO "studies" VALUES('1.2.4','','','','','','','','[]','arriving',0,'','',1,0,0,1795637560582081,1795637560582081,0,'','',0,'',0);
CREATE TABLE study_words (
	word TEXT NOT NULL, 
	study_uid VARCHAR(64) NOT NULL, 
	PRIMARY KEY (word, study_uid), 
	FOREIGN KEY(study_uid) REFERENCES studies (study_uid)
);
INSERT INTO "study_words" VALUES('1.2.3','1.2.3');
INSERT INTO "study_words" VALUES('1.2.4','1.2.4');
CREATE TABLE users (
	name VARCHAR(64) NOT NULL, 
	display TEXT NOT NULL, 
	password_hash TEXT NOT NULL, 
	roles TEXT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "users" VALUES('ida','Vreeland^Ida','hash','["reader"]');
CREATE INDEX studies_by_state ON studies (state, last_object_at);
CREATE INDEX studies_with_late_objects ON studies (late_objects) WHERE late_objects > 0;
CREATE INDEX studies_by_patient ON studies (patient_id);
CREATE INDEX studies_by_arrival ON studies (last_object_at);
CREATE INDEX audit_by_study ON audit (study_uid);
CREATE INDEX study_words_by_study ON study_words (study_uid);
CREATE INDEX instances_by_study ON instances (study_uid, series_uid);
CREATE UNIQUE INDEX quarantine_by_object ON quarantine (sop_instance_uid, digest);
CREATE INDEX documents_by_study ON documents (study_uid);
CREATE INDEX list_lines_by_priority ON list_lines (priority);
CREATE INDEX outbox_by_due ON outbox (state, next_at);
CREATE INDEX outbox_by_study ON outbox (study_uid);
COMMIT;
