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
INSERT INTO "audit" VALUES(1,1795637558202774,'study received','','1.2.3','CAMERA: 1.2.840.10008.5.1.4.1.1.1');
INSERT INTO "audit" VALUES(2,1795637558226451,'reading changed','ida','1.2.3','version 1');
INSERT INTO "audit" VALUES(3,1795637558231711,'final signed','ida','1.2.3','1.8.3');
INSERT INTO "audit" VALUES(4,1795637558258579,'different bytes','','1.2.3','object 1.2 came again from CAMERA with other content');
INSERT INTO "audit" VALUES(5,1795637558270004,'study received','','1.2.4','CAMERA: 1.2.840.10008.5.1.4.1.1.1');
INSERT INTO "audit" VALUES(6,1795637558273599,'node stopped','','','');
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
INSERT INTO "audit_seals" VALUES(1,'35124b9a92191e1194dc80af2951f38b93b6475d63ade4a763e9973a00725d49');
INSERT INTO "audit_seals" VALUES(2,'04e9c557dc727d217a0754cbf2c57930777cf961341c65d164212e6c35de19cd');
INSERT INTO "audit_seals" VALUES(3,'0e9941b224e187ee68d8c4c7eab1d9a364131cc3ffbe7b3f1b55dc11cc572206');
INSERT INTO "audit_seals" VALUES(4,'2a854d14e54de9fb6d347c20378906426caa761cd1eec273ff5948172d81b652');
INSERT INTO "audit_seals" VALUES(5,'f80d28ef3e5f6fae938d57d2dfb7d93f8ec9f7c1e6c3298c1734e74367324113');
INSERT INTO "audit_seals" VALUES(6,'183563e5541904e8c3da9b77c0aa81064b5f037dca6433619f382f4f9514e3ab');
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
INSERT INTO "documents" VALUES(1,'1.8.3','1.2.3','final','report','1.2.840.10008.5.1.4.1.1.88.33','1.8','9521c3518a9d4b3ab0478a42a387fcbb','{"kind":"final","facts":{"study_uid":"1.2.3","accession_number":"","study_date":"","study_time":"","description":"","question":"","referring":"","institution":"","signalment":{"patient_name":"","patient_id":"","species":null,"species_code":null,"species_text":"","breed":"","birth_date":"","age_months":null,"sex":"","neutered":null,"responsible_person":""},"images":[],"remarks":[]},"template":{"study_uid":"1.2.3","revision":1,"species":"","regions":[],"views":[],"items":[],"groups":[],"order":["alignment","bone","cartilage","devices","soft_tissue"],"rule_outs":[],"cautions":[]},"reading":{"template_revision":1,"observations":{},"shown":[],"findings":[],"measurements":[],"rule_outs":[],"differentials":[],"history":"","technique":"","impression":"","recommendations":"","findings_text":null,"findings_generated":"","open_accepted":""},"signer":null,"signed_at":null,"findings_text":"","addenda":[],"corrections":[],"predecessors":[],"measured_before":[]}','ida',1795637558231711,1795637558231711);
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
INSERT INTO "instances" VALUES('1.1','1.2.3','1.2.3.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','A1','Rex^Tester',0,0,0,0,0,'','','','','','daea1b413c684d229aa4ffd45e3c1720','7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed',3,'CAMERA',1795637558202774,0,0);
INSERT INTO "instances" VALUES('1.2','1.2.3','1.2.3.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','A1','Rex^Tester',0,0,0,0,0,'','','','','','4afafbc2b9da447a9accc7c992a8ba0b','3fc4ccfe745870e2c0d99f71f30ff0656c8dedd41cc1d7d3d376b0dbe685e2f3',3,'CAMERA',1795637558213990,0,0);
INSERT INTO "instances" VALUES('1.8.3','1.2.3','1.8','1.2.840.10008.5.1.4.1.1.88.33','1.2.840.10008.1.2.1','SR','','',9001,0,0,0,0,'','','','','','9521c3518a9d4b3ab0478a42a387fcbb','be39df2ec84f1adee201cf9c6253a978f3012de1869f8cc50a575008e10fb38c',396,'this node',1795637558231711,1,0);
INSERT INTO "instances" VALUES('1.3','1.2.4','1.2.4.1','1.2.840.10008.5.1.4.1.1.1','1.2.840.10008.1.2.1','CR','','',0,0,0,0,0,'','','','','','4285f5b64ed14313bf1de71374761c6f','8b5b9db0c13db24256c829aa364aa90c6d2eba318b9232a4ab9313b954d3555f',5,'CAMERA',1795637558270004,0,0);
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
INSERT INTO "quarantine" VALUES(1,'1.2','1.2.3','d24d0542827c4c0399a8b39e8e1ba826','d9298a10d1b0735837dc4bd85dac641b0f3cef27a47e5d53a54f2f3f5b2fcffa','CAMERA',1795637558258579);
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
INSERT INTO "schema_version" VALUES(3);
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
INSERT INTO "studies" VALUES('1.2.3','','','','','','','','["carpus"]','signed',0,'','ida',2,0,0,1795637558213990,1795637558231711,1,'{"study_uid":"1.2.3","accession_number":"","study_date":"","study_time":"","description":"","question":"","referring":"","institution":"","signalment":{"patient_name":"","patient_id":"","species":null,"species_code":null,"species_text":"","breed":"","birth_date":"","age_months":null,"sex":"","neutered":null,"responsible_person":""},"images":[],"remarks":[]}','{"study_uid":"1.2.3","revision":1,"species":"","regions":["carpus"],"views":[],"items":[],"groups":[],"order":["alignment","bone","cartilage","devices","soft_tissue"],"rule_outs":[],"cautions":[]}',1,'{"template_revision":1,"observations":{},"shown":[],"findings":[],"measurements":[],"rule_outs":[],"differentials":[],"history":"","technique":"","impression":"Sound.","recommendations":"","findings_text":null,"findings_generated":"","open_accepted":""}',1795637558226451);
INSERT INTO "studies" VALUES('1.2.4','','','','','','','','[]','arriving',0,'','',1,0,0,1795637558270004,1795637558270004,0,'','',0,'',0);
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
CREATE INDEX outbox_by_due ON outbox (state, next_at);
CREATE INDEX outbox_by_study ON outbox (study_uid);
COMMIT;
