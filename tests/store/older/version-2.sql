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
INSERT INTO "audit" VALUES(1,1795637556041353,'final signed','ida','1.2.3','1.8.3');
INSERT INTO "audit" VALUES(2,1795637556083543,'different bytes','','1.2.3','object 1.2 came again from CAMERA with other content');
INSERT INTO "audit" VALUES(3,1795637556105797,'node stopped','','','');
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
INSERT INTO "documents" VALUES(1,'1.8.3','1.2.3','final','report','1.2.840.10008.5.1.4.1.1.88.33','1.8','d26c54cc49a249f0910724f60840408e','{"kind":"final","facts":{"study_uid":"1.2.3","accession_number":"","study_date":"","study_time":"","description":"","question":"","referring":"","institution":"","signalment":{"patient_name":"","patient_id":"","species":null,"species_code":null,"species_text":"","breed":"","birth_date":"","age_months":null,"sex":"","neutered":null,"responsible_person":""},"images":[],"remarks":[]},"template":{"study_uid":"1.2.3","revision":1,"species":"","regions":[],"views":[],"items":[],"groups":[],"order":["alignment","bone","cartilage","devices","soft_tissue"],"rule_outs":[],"cautions":[]},"reading":{"template_revision":1,"observations":{},"shown":[],"findings":[],"measurements":[],"rule_outs":[],"differentials":[],"history":"","technique":"","impression":"","recommendations":"","findings_text":null,"findings_generated":"","open_accepted":""},"signer":null,"signed_at":null,"findings_text":"","addenda":[],"corrections":[],"predecessors":[],"measured_before":[]}','ida',1795637556041353,1795637556041353);
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
INSERT INTO "instances" VALUES('1.1','1.2.3','1.2.3.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','A1','Rex^Tester',0,0,0,0,0,'','','','','','2cba5212adb04bc09105b6b09bbc9395','7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed',3,'CAMERA',1795637555862006,0,0);
INSERT INTO "instances" VALUES('1.2','1.2.3','1.2.3.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','A1','Rex^Tester',0,0,0,0,0,'','','','','','b3db57d4ceb648ef9b2472c8383e5ce8','3fc4ccfe745870e2c0d99f71f30ff0656c8dedd41cc1d7d3d376b0dbe685e2f3',3,'CAMERA',1795637556018117,0,0);
INSERT INTO "instances" VALUES('1.8.3','1.2.3','1.8','1.2.840.10008.5.1.4.1.1.88.33','1.2.840.10008.1.2.1','SR','','',9001,0,0,0,0,'','','','','','d26c54cc49a249f0910724f60840408e','be39df2ec84f1adee201cf9c6253a978f3012de1869f8cc50a575008e10fb38c',396,'this node',1795637556041353,1,0);
INSERT INTO "instances" VALUES('1.3','1.2.4','1.2.4.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','','',0,0,0,0,0,'','','','','','c550dd9c12b2420fab5875e719c8d2af','8b5b9db0c13db24256c829aa364aa90c6d2eba318b9232a4ab9313b954d3555f',5,'CAMERA',1795637556088710,0,0);
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
INSERT INTO "quarantine" VALUES(1,'1.2','1.2.3','0fae6d7f99c149eda256e99de38424a2','d9298a10d1b0735837dc4bd85dac641b0f3cef27a47e5d53a54f2f3f5b2fcffa','CAMERA',1795637556083543);
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
INSERT INTO "schema_version" VALUES(2);
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
INSERT INTO "studies" VALUES('1.2.3','','','','','','','','["carpus"]','signed',0,'','ida',2,0,0,1795637556018117,1795637556041353,1,'{"study_uid":"1.2.3","accession_number":"","study_date":"","study_time":"","description":"","question":"","referring":"","institution":"","signalment":{"patient_name":"","patient_id":"","species":null,"species_code":null,"species_text":"","breed":"","birth_date":"","age_months":null,"sex":"","neutered":null,"responsible_person":""},"images":[],"remarks":[]}','{"study_uid":"1.2.3","revision":1,"species":"","regions":["carpus"],"views":[],"items":[],"groups":[],"order":["alignment","bone","cartilage","devices","soft_tissue"],"rule_outs":[],"cautions":[]}',1,'{"template_revision":1,"observations":{},"shown":[],"findings":[],"measurements":[],"rule_outs":[],"differentials":[],"history":"","technique":"","impression":"Sound.","recommendations":"","findings_text":null,"findings_generated":"","open_accepted":""}',1795637556034681);
INSERT INTO "studies" VALUES('1.2.4','','','','','','','','[]','arriving',0,'','',1,0,0,1795637556088710,1795637556088710,0,'','',0,'',0);
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
CREATE INDEX studies_by_patient ON studies (patient_id);
CREATE INDEX studies_by_state ON studies (state, last_object_at);
CREATE INDEX studies_by_arrival ON studies (last_object_at);
CREATE INDEX audit_by_study ON audit (study_uid);
CREATE INDEX study_words_by_study ON study_words (study_uid);
CREATE INDEX instances_by_study ON instances (study_uid, series_uid);
CREATE UNIQUE INDEX quarantine_by_object ON quarantine (sop_instance_uid, digest);
CREATE INDEX documents_by_study ON documents (study_uid);
CREATE INDEX outbox_by_study ON outbox (study_uid);
CREATE INDEX outbox_by_due ON outbox (state, next_at);
COMMIT;
