-- A key that was replaced can still be withdrawn, or go with its device: whoever has it could write times within its life.
-- Each way to end is said once; the first one ends the key, and one that distrusts it counts whenever it comes.
alter table signing_key_revocation drop constraint signing_key_revocation_pkey;
alter table signing_key_revocation add primary key (key_id, why);
